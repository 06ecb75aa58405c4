"""One call for all worlds: a logbook, and the truth behind it."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model._typing import Ints
from maturity_model.lab.worlds import broken as assumptions
from maturity_model.lab.worlds import mechanistic, mesocosm, microcosm
from maturity_model.lab.worlds.mechanistic.keepers import ANALYTES, SIGNS, Broken
from maturity_model.lab.worlds.mechanistic.phases import PHASES
from maturity_model.lab.worlds.model import MODEL_PRESETS, simulate_model
from maturity_model.lab.worlds.rows import Row, Rows, as_csv, tables
from maturity_model.logbook import Logbook, read_logbook
from maturity_model.whole_files import write_file

WORLDS = ("model", "mechanistic", "microcosm", "mesocosm")
_ECOLOGIES: dict[str, Callable[..., Any]] = {
    "mechanistic": mechanistic.live, "microcosm": microcosm.live, "mesocosm": mesocosm.live,
}  # fmt: skip
#: Worlds in which assumptions can be broken.
BREAKABLE = ("model", "mechanistic")
#: Day 0 of every tank, a Monday; far enough back that a long log ends in the past.
START = dt.date(2015, 1, 5)
MAX_WEEKS = 520
TRUTH = "truth.csv"
#: Signs whose absence leaves the phases what they are. Without coralline there is no
#: mature tank by its definition; sand gas bubbles are no organism.
CAN_BE_MISSING = tuple(s for s in SIGNS if s not in ("coralline_algae", "sand_gas_bubbles"))

SAND_SIGNS = ("sand_worm_tubes", "sand_gas_bubbles")


@dataclass(frozen=True)
class SimulatedClub:
    """A logbook read by the log's own reader, and what was true.

    Attributes
    ----------
    logbook : Logbook
        Without errors; its tanks are in the order of ``truth``.
    truth : int ndarray, shape (N, weeks + 1)
        True phase (index into :data:`PHASES`) of each tank at the end of the last day of
        week 0, 1, ..., weeks: day ``7 * week + 6`` after the start, the ``date`` that
        ``phase.csv`` gives that week. -1 where a tank was not run.
    end : date
        Last day of the last week: give it as ``as_of``, for the log may end earlier.
    files : dict of str to str
        The logbook's files, name to text.
    """

    logbook: Logbook
    truth: Ints
    end: dt.date
    files: dict[str, str]

    def truth_rows(self) -> list[Row]:
        """The rows of ``truth.csv``: ``tank, week, date, phase``."""
        return [
            {
                "tank": tank.name,
                "week": str(week),
                "date": (tank.started + dt.timedelta(days=7 * week + 6)).isoformat(),
                "phase": PHASES[phase],
            }
            for tank, phases in zip(self.logbook.tanks.values(), self.truth, strict=True)
            for week, phase in enumerate(phases.tolist())
            if phase >= 0
        ]

    def write(self, path: Path) -> None:
        """Write the logbook's files and ``truth.csv`` into a folder, each file whole.

        The folder is made if need be; files of other names are left alone.
        """
        path.mkdir(parents=True, exist_ok=True)
        texts = self.files | {TRUTH: as_csv(("tank", "week", "date", "phase"), self.truth_rows())}
        for name, text in texts.items():
            write_file(path / name, text, durable=True)


def presets(world: str) -> dict[str, str]:
    """Names and meanings of a world's presets."""
    if world == "mechanistic":
        return {name: preset.meaning for name, preset in mechanistic.PRESETS.items()}
    every = {"model": MODEL_PRESETS, "microcosm": microcosm.PRESETS, "mesocosm": mesocosm.PRESETS}
    return dict(every[world])


def simulate(
    world: str,
    n_tanks: int,
    weeks: int,
    seed: int,
    *,
    batch: int = 0,
    preset: str = "",
    broken: Sequence[str] = (),
    judged: float = 0.0,
    judge_accuracy: float = 0.8,
    weekly_tests: bool = False,
) -> SimulatedClub:
    """Simulate a club.

    Parameters
    ----------
    world : {'model', 'mechanistic', 'microcosm', 'mesocosm'}
    n_tanks, weeks : int
        The club is run to the end of week ``weeks`` (week 0 begins on the first day).
    seed : int
        Decides everything: in the ecologies also where in the preset's ranges this world
        lies, in the model's world the parameters.
    batch : int
        Another batch holds other tanks, of other names, of the same world: to learn from
        some and judge by others.
    preset : str
        See :func:`presets`; blank for the first of them, the ordinary one.
    broken : sequence of str
        Names of :data:`maturity_model.lab.worlds.broken.BROKEN`; ``missing_sign=NAME``. Only
        in the worlds of :data:`BREAKABLE`.
    judged, judge_accuracy : float
        Share of tanks whose phase an experienced keeper judges now and then, and the chance
        that a fresh judgement is right.
    weekly_tests : bool
        Keepers test ammonia and nitrite at every check-in, if they have the kits. In the
        ecologies the tanks live as they do without.

    Raises
    ------
    ValueError
        Where an argument is none of these.
    """
    if world not in WORLDS:
        raise ValueError(f"{world!r} is not a world; one of {', '.join(WORLDS)}")
    preset = preset or next(iter(presets(world)))
    if preset not in presets(world):
        raise ValueError(
            f"{preset!r} is not a preset of the {world} world; one of {', '.join(presets(world))}"
        )
    if n_tanks < 1 or not 1 <= weeks <= MAX_WEEKS or seed < 0 or batch < 0:
        raise ValueError(
            f"needs a tank, 1 to {MAX_WEEKS} weeks, and a seed and batch of at least 0"
        )
    if not (0 <= judged <= 1 and 0 <= judge_accuracy <= 1):
        raise ValueError("judged and judge_accuracy are shares, from 0 to 1")
    what = assumptions.parse(broken, CAN_BE_MISSING)
    if what and world not in BREAKABLE:
        raise ValueError(f"the {world} world has no assumptions to break")
    shared: dict[str, Any] = {"batch": batch, "judged": judged, "judge_accuracy": judge_accuracy,
              "weekly_tests": weekly_tests}  # fmt: skip
    if world == "model":
        rows, truth = simulate_model(n_tanks, weeks + 1, seed, START, preset, what, **shared)
    else:
        live, more = _ECOLOGIES[world], {}
        if world == "mechanistic":
            more = _mechanistic_options(what)
        if world != "microcosm":
            more["preset"] = preset
        club = live(n_tanks, 7 * (weeks + 1), seed, START, **shared, **more)
        rows = Rows(club.tanks, club.checkins, club.events, club.kits)
        # The phase on the last day of each week.
        truth = np.ascontiguousarray(club.phases[6::7].T)
    _without_sand_signs(rows)
    files = tables(rows, (*SIGNS, *ANALYTES))
    end = START + dt.timedelta(days=7 * weeks + 6)
    with tempfile.TemporaryDirectory(prefix="maturity-model-") as folder:
        for name, text in files.items():
            (Path(folder) / name).write_text(text, "utf-8")
        logbook = read_logbook(folder)
    return SimulatedClub(logbook, truth, end, files)


def _without_sand_signs(rows: Rows) -> None:
    # Nobody is asked for them in a bare tank, and the log's reader would refuse them.
    bare = {row["tank"] for row in rows.tanks if row.get("sand_depth_mm") == "0"}
    for row in rows.checkins:
        if row["tank"] in bare:
            for sign in SAND_SIGNS:
                row.pop(sign, None)


#: What breaking an assumption does to the ecology's parameters, as factors. Signs persist
#: here for reasons of their own (animals live on); ``persistence`` triples what comes on top,
#: answers copied from the last time, and doubles look-alikes. ``phase_skipped``: poor light
#: and tanks seeded with much life, so that algae hardly ever hold the surfaces.
_SCALED = {
    "persistence": {"copied": 3.0, "mistaken": 2.0},
    "observers": {"sharpness": 0.35, "mistaken": 3.0},
    "phase_skipped": {
        "diatom_growth": 0.45, "film_growth": 0.5, "hair_growth": 0.4, "cyano_growth": 0.4,
        "inoculum": 12.0, "settling": 12.0,
    },
}  # fmt: skip
_SKIPS_CALM = 0.3


def _mechanistic_options(broken: Mapping[str, str]) -> dict[str, Any]:
    scaled: dict[str, float] = {}
    for name in broken:
        for key, factor in _SCALED.get(name, {}).items():
            scaled[key] = scaled.get(key, 1.0) * factor
    keepers = Broken(int("kit_bias" in broken), _SKIPS_CALM if "skipping" in broken else 1.0)
    return {"scaled": scaled, "missing": broken.get("missing_sign", ""), "broken": keepers}
