"""Test kits: each keeper's own, with its bias and noise, read off to the steps of its chart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .history import History
from .looking import CheckIns, Row
from .tanks import CORALLINE, Floats, Ints

NUTRIENTS = ("ammonia", "nitrite", "nitrate", "phosphate")
OTHERS = ("ph", "salinity", "temperature", "alkalinity")
ANALYTES = (*NUTRIENTS, *OTHERS)
METHODS = ("colour_chart", "strip", "photometer")
#: Charts as they are commonly printed (common practice, no source), in the kit's unit.
CHARTS: dict[str, dict[str, tuple[float, ...]]] = {
    "colour_chart": {
        "ammonia": (0.25, 0.5, 1, 2, 4, 8),
        "nitrite": (0.1, 0.25, 0.5, 1, 2, 5),
        "nitrate": (2, 5, 10, 20, 40, 80),
        "phosphate": (0.03, 0.06, 0.12, 0.25, 0.5, 1),
    },
    "strip": {
        "ammonia": (0.5, 1, 3, 6),
        "nitrite": (0.5, 1, 3, 10),
        "nitrate": (10, 25, 50, 100, 250),
        "phosphate": (0.1, 0.25, 0.5, 1, 2),
    },
}
#: Colour charts printed in nitrogen have finer steps; strips are printed in the ion only.
_NITROGEN_CHARTS = {"nitrite": (0.05, 0.1, 0.2, 0.5, 1, 2), "nitrate": (0.5, 1, 2.5, 5, 10, 20)}
#: Units a kit may read in: name, and mg of that per mg of the element (from IUPAC atomic
#: weights, as in the project's facts).
UNITS: dict[str, tuple[tuple[str, float], ...]] = {
    "ammonia": (("mg/L NH4", 1.28786), ("mg/L NH3", 1.21589), ("mg/L NH3-N", 1.0)),
    "nitrite": (("mg/L NO2", 3.28443), ("mg/L NO2-N", 1.0)),
    "nitrate": (("mg/L NO3", 4.42664), ("mg/L NO3-N", 1.0)),
    "phosphate": (("mg/L PO4", 3.06612),),
}
#: Photometers: decimals, and least reading told from nothing.
PHOTOMETER = {
    "ammonia": (2, 0.05),
    "nitrite": (2, 0.02),
    "nitrate": (1, 0.5),
    "phosphate": (2, 0.02),
}
_ROUGH = {"colour_chart": 0.22, "strip": 0.40, "photometer": 0.10}
#: How often a keeper has and uses a kit at all.
_OWNS = {"ammonia": 0.92, "nitrite": 0.75, "nitrate": 0.9, "phosphate": 0.7}


@dataclass(frozen=True)
class Kit:
    """One keeper's kit for one nutrient."""

    method: str
    unit: str
    factor: float  # mg of the unit's substance per mg of the element
    steps: tuple[float, ...]  # empty for a photometer
    decimals: int
    least: float
    bias: float  # factor
    noise: float  # standard deviation on the log scale
    below: bool  # writes "<0.25", not "0"

    def read(self, level: float, z: float) -> str:
        """What is written for a true level (mg of the element per litre).

        Parameters
        ----------
        level : float
        z : float
            A draw of the standard normal distribution.
        """
        value = (
            (level * self.factor + 0.15 * self.least) * self.bias * float(np.exp(self.noise * z))
        )
        if not self.steps:
            if value < self.least:
                return f"<{self.least:g}"
            return f"{round(value, self.decimals):g}"
        # Nearest colour by eye, on the log scale; below the first as near to it as to half of it.
        if value < self.steps[0] * 0.7:
            return f"<{self.steps[0]:g}" if self.below else "0"
        if value > self.steps[-1] * 1.5:
            return f">{self.steps[-1]:g}"
        nearest = np.argmin(np.abs(np.log(np.array(self.steps) / value)))
        return f"{self.steps[int(nearest)]:g}"


def draw_kits(n: int, rng: np.random.Generator) -> list[dict[str, Kit]]:
    """Draw each keeper's kits, nutrient to kit."""
    out = []
    for _ in range(n):
        usual = METHODS[int(rng.choice(3, p=(0.62, 0.18, 0.20)))]
        own: dict[str, Kit] = {}
        for analyte in NUTRIENTS:
            u = rng.random(5)
            bias, noisy = np.exp(rng.normal(0.0, 0.6, 2) * (0.35, 0.4))
            if u[0] > _OWNS[analyte]:
                continue
            method = usual if u[1] < 0.8 else "colour_chart"
            # Nitrogen units are rarer than those of the ion.
            units = UNITS[analyte]
            unit, factor = (
                units[0] if u[2] < 0.75 or method == "strip" else units[int(u[3] * len(units))]
            )
            steps = CHARTS.get(method, {}).get(analyte, ())
            if steps and unit.endswith("-N"):
                steps = _NITROGEN_CHARTS.get(analyte, steps)
            decimals, least = PHOTOMETER[analyte]
            own[analyte] = Kit(
                method, unit, factor, steps, decimals, steps[0] if steps else least,
                float(bias), _ROUGH[method] * float(noisy), bool(u[4] < 0.6),
            )  # fmt: skip
        out.append(own)
    return out


def kit_rows(keepers: list[str], kits: list[dict[str, Kit]]) -> list[Row]:
    """Rows of kits.csv."""
    return [
        {
            "keeper": keeper,
            "analyte": analyte,
            "method": kit.method,
            "unit": kit.unit,
            "steps": ";".join(f"{step:g}" for step in kit.steps),
        }
        for keeper, own in zip(keepers, kits, strict=True)
        for analyte, kit in own.items()
    ]


def readings(
    history: History,
    at: CheckIns,
    kits: list[dict[str, Kit]],
    rng: np.random.Generator,
    weekly_tests: bool = False,
) -> list[Row]:
    """What is written for the analytes at each check-in.

    Ammonia and nitrite are tested while the tank is young or in trouble, nitrate and
    phosphate later. With ``weekly_tests`` keepers who have the kits test ammonia and nitrite at
    every check-in.
    """
    setup = history.setup
    eager = np.exp(rng.normal(0.0, 0.5, setup.n))
    offset = rng.normal(0.0, 1.0, (setup.n, 4)) * (0.08, 0.5, 0.2, 0.5)
    has_probe = rng.random((setup.n, 4)) < (0.45, 0.8, 0.8, 0.55)
    u = rng.random((len(at.day), 8))
    z = rng.normal(0.0, 1.0, (len(at.day), 8))
    others = _others(history, at, offset, z[:, 4:])
    out: list[Row] = []
    for row, (tank, day) in enumerate(zip(at.tank.tolist(), at.day.tolist(), strict=True)):
        young = day < 70
        often = {
            "ammonia": 0.75 if young else 0.10, "nitrite": 0.65 if young else 0.08,
            "nitrate": 0.30 if young else 0.50, "phosphate": 0.10 if young else 0.42,
        }  # fmt: skip
        if at.worried[row]:
            often = {name: max(chance, 0.6) for name, chance in often.items()}
        cells: Row = {}
        for k, name in enumerate(NUTRIENTS):
            kit = kits[tank].get(name)
            due = weekly_tests and name in ("ammonia", "nitrite")
            if kit is not None and (due or u[row, k] < min(often[name] * eager[tank], 0.95)):
                cells[name] = kit.read(float(getattr(history, name)[day, tank]), z[row, k])
        for k, name in enumerate(OTHERS):
            if has_probe[tank, k] and u[row, 4 + k] < 0.25 * eager[tank]:
                cells[name] = others[k][row]
        out.append(cells)
    return out


def _others(history: History, at: CheckIns, offset: Floats, z: Floats) -> list[list[str]]:
    # Sea water as it mostly is; coralline and nitrification eat some alkalinity.
    near: Ints = at.tank
    growing = history.cover[at.day, near, CORALLINE]
    ph = 8.12 + offset[near, 0] + 0.06 * z[:, 0]
    salinity = 35.0 + offset[near, 1] + 0.4 * z[:, 1]
    warmth = history.temperature[at.day, near] + offset[near, 2] + 0.15 * z[:, 2]
    alkalinity = 2.95 - 0.25 * growing + 0.4 * offset[near, 3] + 0.12 * z[:, 3]
    pairs = ((ph, 2), (salinity, 1), (warmth, 1), (alkalinity, 2))
    return [[f"{v:.{d}f}" for v in values.tolist()] for values, d in pairs]
