"""Keepers: their eyes, their habits, and the kits that they read."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .region import Floats, Region

Row = dict[str, str]

SIGNS = (
    "amphipods", "copepods", "spirorbid_worms", "syconoid_sponges", "sand_worm_tubes",
    "sand_gas_bubbles", "bristle_worms", "diatoms", "film_algae", "hair_algae",
    "cyanobacteria", "coralline_algae",
)  # fmt: skip
WEED = ("diatoms", "film_algae", "hair_algae", "cyanobacteria")
#: What is looked for less often than the rest.
_RARE = {"syconoid_sponges": -0.25, "spirorbid_worms": -0.1, "sand_gas_bubbles": -0.2}
#: Steps of the charts on sale.
_CHART: dict[str, tuple[tuple[float, ...], ...]] = {
    "ammonia": ((0, 0.25, 0.5, 1, 2, 4, 8), (0, 0.15, 0.4, 0.8, 1.5, 3, 6)),
    "nitrite": ((0, 0.25, 0.5, 1, 2, 5), (0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6)),
    "nitrate": ((0, 5, 10, 20, 40, 80, 160), (0, 2, 5, 10, 25, 50, 100)),
    "phosphate": ((0, 0.25, 0.5, 1, 2, 5, 10), (0, 0.03, 0.06, 0.1, 0.2, 0.4, 1)),
}
_ION = {
    "ammonia": "mg/L NH3", "nitrite": "mg/L NO2", "nitrate": "mg/L NO3",
    "phosphate": "mg/L PO4",
}  # fmt: skip
#: Units by nitrogen, and mg of the ion to a mg of nitrogen.
_AS_N = {"ammonia": ("mg/L NH3-N", 1.21589), "nitrate": ("mg/L NO3-N", 4.42664)}
_METHODS = {"chart": "colour_chart", "strip": "strip", "photometer": "photometer"}
#: Spread of what a kit shows, in log units; steps of a photometer's display.
_SPREAD = {"chart": 0.22, "strip": 0.4, "photometer": 0.12}
_DISPLAY = {"ammonia": 0.01, "nitrite": 0.01, "nitrate": 0.5, "phosphate": 0.01}
#: Share of keepers who measure a thing at all.
_OWNED = {
    "ammonia": 0.92, "nitrite": 0.82, "nitrate": 0.92, "phosphate": 0.75, "ph": 0.55,
    "salinity": 0.8, "temperature": 0.75, "alkalinity": 0.65,
}  # fmt: skip


@dataclass(frozen=True)
class Kit:
    """What one analyte is read with.

    Attributes
    ----------
    method : {'chart', 'strip', 'photometer'}
    unit : str
    div : float
        mg of the ion to one unit.
    steps : tuple of float
        Of the chart; unused by a photometer.
    bias, noise, off : float
        Factor and spread (log units) of what it shows, and the most it shows of nothing.
    """

    method: str
    unit: str
    div: float
    steps: tuple[float, ...]
    bias: float
    noise: float
    off: float


class Keeper:
    """One person.

    Parameters
    ----------
    name : str
    g : Generator
        Only drawn from while the keeper is made.
    reg : Region

    Attributes
    ----------
    skill, sign_skill
        Of the eyes, in log-odds; and by sign on top.
    false, blank, copy, skip : float
        Chances: to see what is not there, to leave a cell blank, to copy the last answers, to
        skip a check-in.
    tracks : set of str
        Signs that are looked for.
    weekday, style, zeal, less
        Day of the check-in; 0 glances, 1 is careful, 2 takes a torch; factor of measuring;
        whether nothing is written as '<' the lowest step.
    kits : dict of str to Kit
    owns : dict of str to bool
        What is measured at all.
    """

    def __init__(self, name: str, g: np.random.Generator, reg: Region) -> None:
        self.name = name
        self.skill = g.normal(reg.skill, 0.7)
        self.sign_skill = {s: g.normal(0, 0.5) for s in SIGNS}
        self.false = np.exp(g.normal(-4.3, 0.5))
        self.blank = 1 / (1 + np.exp(-(-1.5 + reg.blank + g.normal(0, 0.8))))
        fond = np.clip(0.75 + 0.12 * self.skill + g.normal(0, 0.15), 0.3, 0.98)
        common = {*WEED, "coralline_algae"}
        self.tracks = {
            s
            for s in SIGNS
            if g.random() < (max(fond, 0.9) if s in common else fond + _RARE.get(s, 0))
        }
        self.copy = g.beta(1.3, 7)
        self.skip = g.beta(2, 8)
        self.weekday = int(g.integers(0, 7))
        self.style = int(g.choice(3, p=[0.25, 0.6, 0.15]))
        self.zeal = float(np.exp(g.normal(0, 0.4)))
        self.less = g.random() < 0.5
        self.kits = {a: _draw_kit(a, g) for a in _CHART}
        self.alk_off, self.ph_off = g.normal(0, 0.3), g.normal(0, 0.08)
        self.sal_off, self.temp_off = g.normal(0, 0.6), g.normal(0, 0.3)
        self.owns = {a: g.random() < p for a, p in _OWNED.items()}

    def rows(self) -> list[Row]:
        """Rows of the table of kits."""
        out = []
        for a, k in self.kits.items():
            if self.owns[a]:
                steps = "" if k.method == "photometer" else ";".join(f"{x:g}" for x in k.steps)
                out.append(self._row(a, k.method, k.unit, steps))
        if self.owns["alkalinity"]:
            half = ";".join(f"{x / 2:g}" for x in range(7, 30))
            out.append(self._row("alkalinity", "chart", "[dKH]", half))
        return out

    def _row(self, analyte: str, method: str, unit: str, steps: str) -> Row:
        return {
            "keeper": self.name, "analyte": analyte, "method": _METHODS[method], "unit": unit,
            "steps": steps,
        }  # fmt: skip

    def tell_nothing(self) -> None:
        """Never say which kits they are: then all are read as the commonest charts."""
        self.kits = {
            a: replace(k, method="chart", unit=_ION[a], div=1.0, steps=_CHART[a][0])
            for a, k in self.kits.items()
        }
        self.owns["alkalinity"] = False

    def read(self, a: str, x: float, g: np.random.Generator) -> str:
        """What is written down of a true level ``x`` of the analyte ``a``."""
        z, u = g.normal(), g.random()
        if a == "ph":
            return f"{round((x + self.ph_off + 0.05 * z) * 10) / 10:.1f}"
        if a == "salinity":
            return f"{round(x + self.sal_off + 0.4 * z):d}"
        if a == "temperature":
            return f"{x + self.temp_off + 0.2 * z:.1f}"
        if a == "alkalinity":
            return f"{round((x + self.alk_off + 0.3 * z) * 2) / 2:g}"
        k = self.kits[a]
        v = float((x * k.bias * np.exp(k.noise * z) + k.off * u) / k.div)
        if k.method == "photometer":
            step = _DISPLAY[a]
            return (
                f"{round(v / step) * step:.2f}" if step < 0.1 else f"{round(v / step) * step:.1f}"
            )
        return self._on_chart(v, np.array(k.steps))

    def _on_chart(self, v: float, steps: Floats) -> str:
        # Eyes match colours on a roughly logarithmic scale.
        scale = np.log(steps + 0.4 * steps[1])
        j = int(np.argmin(np.abs(scale - np.log(v + 0.4 * steps[1]))))
        if j == 0:
            return f"<{steps[1]:g}" if self.less else "0"
        return f">{steps[-1]:g}" if v > 1.5 * steps[-1] else f"{steps[j]:g}"


def _draw_kit(a: str, g: np.random.Generator) -> Kit:
    method = str(g.choice(["chart", "chart", "chart", "strip", "photometer"]))
    steps = _CHART[a][int(g.integers(2))]
    as_n = a in _AS_N and g.random() < 0.12
    unit, div = _AS_N[a] if as_n else (_ION[a], 1.0)
    spread = _SPREAD[method]
    bias = float(np.exp(g.normal(0, spread * 0.6)))
    off = abs(g.normal(0, 0.02)) if a != "nitrate" else 0.2
    return Kit(method, unit, div, steps, bias, spread, off)
