"""How practice's numbers were weighed with simulated ecologies, and what that is worth.

The catalogue's numbers are common practice. Two ecologies, written apart from each other and
from the model, serve as weak data: :func:`.prior_shift_search.optimise_shift` shifts practice, all
draws alike, until the weekly filter tells their true phases better, all tanks of a preset and seed
together counting as :data:`COUNT` judgements. Each ecology alone is tried too, on the other;
and a third, mesocosm, is scored only: no number of the catalogue was chosen by it.

What the catalogue holds is what was found then, rounded to two digits; shifts below a tenth
of a prior standard deviation and numbers with a citation were left alone, and diatoms and
overfeeding were held to what practice says of their time scales
(tests/population/test_prior_predictive.py).
"""

from __future__ import annotations

import itertools
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

import maturity_model.catalogue
from maturity_model._typing import Floats
from maturity_model.assessment.filtering import make_tables
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.catalogue.load import read_catalogue
from maturity_model.fitting.handing_on.prior_shift_search import Labels, optimise_shift
from maturity_model.fitting.handing_on.prior_shifts import catalogue_shifts
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.scores import log_scores
from maturity_model.lab.tasks import Say
from maturity_model.lab.validation.clubs import Club, World, merge_clubs, simulate_clubs
from maturity_model.lab.validation.forecasts import filtered_phases
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import DIMS, Population

#: Weight of all tanks of a preset and seed, in judgements. Chosen from 20, 60 and 180 by
#: cross-validation between the two ecologies.
COUNT = 60.0
BEFORE = "practice_before.csv"
CLUBS, WEEKS = 10, 60
#: Seed of the scored tanks: that of ``maturity-model validate``.
SCORED_SEED = 41
#: What practice was weighed with, by world: presets and seeds, other than those scored.
TRAINING = {
    "mechanistic": (
        ("typical", 42), ("slow", 42), ("fast", 42), ("wide", 43), ("rough", 43), ("sparse", 43)
    ),
    "microcosm": (("usual", 1), ("usual", 2), ("usual", 3)),
}  # fmt: skip
SCORED = {
    "mechanistic": ("typical", "slow", "fast", "wide", "rough", "sparse"),
    "microcosm": ("usual",),
    "mesocosm": ("usual", "slowburn", "busy"),
}
#: Columns of the shifts: each world alone, and both.
SHIFTS = (*TRAINING, "both")


def former_rows() -> pd.DataFrame:
    """What practice said before it was weighed: ``table, row, column, before``."""
    return pd.read_csv(Path(__file__).with_name(BEFORE), dtype=str)


def row_names(table: str, rows: pd.DataFrame) -> pd.Series:
    """Name of each row of a table of the catalogue."""
    if table == "observing":
        return rows["quantity"] + " " + rows["item"]
    return rows.iloc[:, 0]


def former_catalogue() -> Catalogue:
    """The catalogue as practice alone had it."""
    data = Path(maturity_model.catalogue.__file__).parent / "data"
    with tempfile.TemporaryDirectory(prefix="maturity-model-") as place:
        folder = Path(place) / "data"
        shutil.copytree(data, folder)
        for table, changes in former_rows().groupby("table"):
            path = folder / f"{table}.csv"
            rows = pd.read_csv(path, dtype=str, keep_default_na=False)
            names = row_names(str(table), rows)
            for change in changes.itertuples():
                rows.loc[names == change.row, change.column] = change.before
            rows.to_csv(path, index=False, lineterminator="\n")
        return read_catalogue(folder)


class Result(NamedTuple):
    """What the study found.

    Attributes
    ----------
    shift : dict of str to ndarray
        By the worlds of training (see :data:`SHIFTS`): in prior standard deviations.
    scores : DataFrame
        Mean log score of each club: ``world, preset, population, club, log_score``.
    """

    shift: dict[str, Floats]
    scores: pd.DataFrame


def read_shifts(path: Path) -> dict[str, Floats]:
    """Read the shifts that an earlier run wrote.

    Raises
    ------
    OSError
        When they cannot be read.
    ValueError
        When they are not of this catalogue.
    """
    rows = pd.read_csv(path)
    if list(rows.get("parameter", ())) != parameter_names(former_catalogue()):
        raise ValueError("it does not hold the shifts of this catalogue")
    if set(SHIFTS) - set(rows):
        raise ValueError("it lacks a column of shifts")
    return {world: rows[world].to_numpy(dtype=float) for world in SHIFTS}


def run(tanks: int, scored: int, say: Say, taught: Mapping[str, Floats] | None = None) -> Result:
    """Weigh practice again with ``tanks`` of each preset and seed, and score it.

    Of each preset, ``scored`` tanks are scored. Shifts of an earlier run, ``taught``, are not
    found again.
    """
    catalogue, weight = former_catalogue(), DEFAULT_EVIDENCE_WEIGHT
    practice = elicit_population(catalogue, weight)
    shifts = catalogue_shifts(priors_from_catalogue(catalogue))
    shift = _fit_shifts(practice, tanks, say) if taught is None else dict(taught)
    populations = {
        "practice": practice,
        **{f"taught with {name}": shifts.apply(practice, x) for name, x in shift.items()},
        "the catalogue": elicit_population(load_catalogue(), weight),
    }
    rows = []
    for world, presets in SCORED.items():
        for preset in presets:
            clubs = simulate_clubs(World(world, preset), CLUBS, scored, WEEKS, SCORED_SEED)
            rows += [
                (world, preset, name, i, _log_score(club, population))
                for name, population in populations.items()
                for i, club in enumerate(clubs)
            ]
            say(f"scored {world}, {preset}")
    columns = ["world", "preset", "population", "club", "log_score"]
    return Result(shift, pd.DataFrame(rows, columns=columns))


def _fit_shifts(practice: Population, tanks: int, say: Say) -> dict[str, Floats]:
    clubs = {
        world: [
            club
            for preset, seed in places
            for club in simulate_clubs(World(world, preset), CLUBS, tanks, WEEKS, seed, batch=1)
        ]
        for world, places in TRAINING.items()
    }
    clubs["both"] = [club for some in clubs.values() for club in some]
    say("simulated")
    shift = {}
    for name, some in clubs.items():
        club = merge_clubs(some)
        weeks, weight = np.arange(club.weeks), COUNT / tanks / club.weeks
        labels = [Labels(weeks, np.eye(4)[truth], weight) for truth in club.truth]
        shift[name] = optimise_shift(club.panel(), practice, labels)
        say(f"taught with {name}")
    return shift


def _log_score(club: Club, population: Population) -> float:
    # Mean over tanks and weeks.
    p = filtered_phases(make_tables(club.panel(), population), club.weeks, len(club.truth))
    return float(log_scores(p.reshape(-1, p.shape[2]), club.truth.ravel()).mean())


def parameter_names(catalogue: Catalogue) -> list[str]:
    """Name each entry of a shift."""
    priors = priors_from_catalogue(catalogue)
    labels = {
        "sign": priors.signs, "phase": priors.phases, "analyte": priors.analytes,
        "event": priors.events, "covariate": priors.covariates,
    }  # fmt: skip
    out = []
    for part in catalogue_shifts(priors).parts:
        axes = [labels[dim] for dim in DIMS[part.name] if dim != "draw"]
        entries = map(", ".join, itertools.product(*axes))
        out += [f"{part.name}[{entry}]" if entry else part.name for entry in entries]
    return out


def _gains(scores: pd.DataFrame) -> pd.DataFrame:
    # By world and preset, what each population gains over practice, and its standard error.
    keys = ["world", "preset"]
    wide = scores.pivot(index=[*keys, "club"], columns="population", values="log_score")
    gain = wide.sub(wide["practice"], axis=0).groupby(keys)
    order = pd.MultiIndex.from_frame(scores[keys].drop_duplicates())
    mean, error = gain.mean().loc[order], gain.sem().loc[order]
    practice = wide["practice"].groupby(keys).mean()[order]
    columns = {"scored on": map(", ".join, order), "practice": map("{:.3f}".format, practice)}
    for name in scores["population"].unique()[1:]:
        columns[name] = map("{:+.3f} ({:.3f})".format, mean[name], error[name])
    return pd.DataFrame({name: list(cells) for name, cells in columns.items()})


def write(result: Result, tanks: int, scored: int, out: Path, command: str) -> None:
    """Write ``README.md``, ``shifts.csv`` and ``scores.csv``.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    shift = pd.DataFrame({"parameter": parameter_names(former_catalogue()), **result.shift})
    first, second = (shift[world] for world in TRAINING)
    moved = np.minimum(first.abs(), second.abs()) > 0.3
    agree = (np.sign(first) == np.sign(second))[moved].mean()
    scores = result.scores
    held_out = scores[scores["world"] == "mesocosm"]
    held_out = held_out.pivot(index=["preset", "club"], columns="population", values="log_score")
    unseen = held_out["the catalogue"] - held_out["practice"]
    largest = shift.reindex(shift["both"].abs().sort_values(ascending=False, kind="stable").index)
    by_preset = scores.groupby(["world", "preset", "population"], sort=False)["log_score"]
    page = Page("Practice, weighed with simulated ecologies", command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        tanks=tanks,
        presets=sum(map(len, TRAINING.values())),
        weeks=WEEKS,
        scored=scored,
        weight=DEFAULT_EVIDENCE_WEIGHT,
        count=COUNT,
        gains=markdown_table(_gains(scores)),
        held_out=f"{unseen.mean():+.3f} ({unseen.sem():.3f})",
        moved=moved.sum(),
        agree=f"{100 * agree:.0f} %" if moved.any() else "–",
        largest=markdown_table(largest.head(25), dict.fromkeys(SHIFTS, "{:+.2f}")),
        before=BEFORE,
    )
    page.csv("shifts.csv", shift, dict.fromkeys(SHIFTS, "{:.4f}"))
    table = by_preset.agg(tanks="size", log_score="mean", standard_error="sem").reset_index()
    page.csv("scores.csv", table, {"log_score": "{:.5f}", "standard_error": "{:.5f}"})
    page.write(out)
