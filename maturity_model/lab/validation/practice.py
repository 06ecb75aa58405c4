"""How practice's numbers were weighed with simulated ecologies, and what that is worth.

The catalogue's numbers are common practice. Two ecologies, written apart from each other and
from the model, were let speak as weak data: :func:`.population.tuning.tune` shifts practice,
all draws alike, until the weekly filter tells their true phases better, all tanks of a preset
and seed together counting as :data:`COUNT` judgements. Each ecology alone is tried too, on the
other; and a third ecology, mesocosm, is scored and taught nothing: no number of the catalogue
was chosen by it.

What the catalogue holds is what was found then, rounded to two digits; shifts below a tenth
of a prior standard deviation and numbers with a citation were left alone, and diatoms and
overfeeding were held to what practice says of their time scales
(tests/population/test_prior_predictive.py).
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import numpy as np

import maturity_model.catalogue
from maturity_model._typing import Floats
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.catalogue.load import read_catalogue
from maturity_model.fitting.handing_on.prior_shift_search import Labels, optimise_shift
from maturity_model.fitting.handing_on.prior_shifts import catalogue_shifts
from maturity_model.lab.validation.clubs import Club, World, merged, simulate_clubs
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

Say = Callable[[str], None]

#: All tanks of a preset and seed count as so many judgements: chosen from 20, 60 and 180 by
#: what each of the two ecologies taught of the other.
COUNT = 60.0
BEFORE = "practice_before.csv"
CLUBS, WEEKS = 10, 60
#: Seed of the scored tanks: that of ``maturity-model validate``.
SCORED_SEED = 41


class Source(NamedTuple):
    """Tanks of a world, by preset and seed."""

    world: str
    places: tuple[tuple[str, int], ...]


#: What practice was weighed with; other seeds than what is scored.
TAUGHT = (
    Source(
        "mechanistic",
        (("typical", 42), ("slow", 42), ("fast", 42), ("wide", 43), ("rough", 43), ("sparse", 43)),
    ),
    Source("microcosm", (("usual", 1), ("usual", 2), ("usual", 3))),
)
SCORED = (
    *(("mechanistic", p) for p in ("typical", "slow", "fast", "wide", "rough", "sparse")),
    ("microcosm", "usual"),
    *(("mesocosm", p) for p in ("usual", "slowburn", "busy")),
)


def former_rows() -> list[dict[str, str]]:
    """What practice said before it was weighed: ``table, row, column, before``."""
    text = files("maturity_model.lab.validation").joinpath(BEFORE).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def _name(table: str, cells: dict[str, str]) -> str:
    if table == "observing":
        return f"{cells['quantity']} {cells['item']}"
    return next(iter(cells.values()))


def former_catalogue() -> Catalogue:
    """The catalogue as practice alone had it."""
    changed = {(r["table"], r["row"], r["column"]): r["before"] for r in former_rows()}
    data = Path(maturity_model.catalogue.__file__).parent / "data"
    with tempfile.TemporaryDirectory(prefix="maturity-model-") as place:
        folder = Path(place) / "data"
        shutil.copytree(data, folder)
        for table in {name for name, _, _ in changed}:
            path = folder / f"{table}.csv"
            with path.open(encoding="utf-8", newline="") as file:
                reader = csv.DictReader(file)
                names, rows = list(reader.fieldnames or ()), list(reader)
            for cells in rows:
                for column in names:
                    key = table, _name(table, cells), column
                    cells[column] = changed.get(key, cells[column])
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = csv.DictWriter(file, names, lineterminator="\n")
                writer.writeheader()
                writer.writerows(rows)
        return read_catalogue(folder)


def _true_labels(club: Club, tanks: int) -> list[Labels]:
    # Every week's true phase.
    phases = np.eye(4)
    weeks = np.arange(club.weeks)
    return [Labels(weeks, phases[truth], COUNT / tanks / club.weeks) for truth in club.truth]


def _score(club: Club, population: Population) -> Floats:
    # Mean log score of each tank's filtered phase.
    panel = club.panel()
    tables = make_tables(panel, population)
    out = np.empty(len(panel.tanks))
    for n, truth in enumerate(club.truth):
        stated = filter_tank(tables, n)[0].phases()[: club.weeks]
        chance = stated[np.arange(club.weeks), truth] / stated.sum(axis=1)
        out[n] = np.log(np.maximum(chance, 1e-12)).mean()
    return out


class Found(NamedTuple):
    """What the study found.

    Attributes
    ----------
    shift : dict of str to ndarray
        By what was taught with ('both', or a world): in prior standard deviations.
    scores : dict of (str, str) to dict of str to ndarray
        By world and preset, by population: log score of each club.
    """

    shift: dict[str, Floats]
    scores: dict[tuple[str, str], dict[str, Floats]]


def read_shifts(path: Path) -> dict[str, Floats]:
    """Shifts that an earlier run wrote.

    Raises
    ------
    OSError
        When they cannot be read.
    ValueError
        When they are not of this catalogue.
    """
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    worlds = [*(source.world for source in TAUGHT), "both"]
    if [r.get("parameter") for r in rows] != parameter_names(former_catalogue()):
        raise ValueError("it does not hold the shifts of this catalogue")
    if not rows or set(worlds) - set(rows[0]):
        raise ValueError("it lacks a column of shifts")
    return {world: np.array([float(r[world]) for r in rows]) for world in worlds}


def run(tanks: int, scored: int, say: Say, taught: dict[str, Floats] | None = None) -> Found:
    """Weigh practice anew, and score it.

    Parameters
    ----------
    tanks : int
        Of each preset and seed that is taught with.
    scored : int
        Of each preset that is scored.
    say : callable
        Told about progress.
    taught : dict of str to ndarray, optional
        Shifts of an earlier run, to be scored.
    """
    catalogue = former_catalogue()
    weight = DEFAULT_EVIDENCE_WEIGHT
    practice = elicit_population(catalogue, weight)
    shifts = catalogue_shifts(priors_from_catalogue(catalogue))
    shift = _teach(practice, tanks, say) if taught is None else taught
    populations = {
        "practice": practice,
        **{f"taught with {name}": shifts.apply(practice, x) for name, x in shift.items()},
        "the catalogue": elicit_population(load_catalogue(), weight),
    }
    scores = {}
    for world, preset in SCORED:
        clubs = simulate_clubs(World(world, preset), CLUBS, scored, WEEKS, SCORED_SEED)
        scores[world, preset] = {
            name: np.array([_score(club, p).mean() for club in clubs])
            for name, p in populations.items()
        }
        say(f"scored {world}, {preset}")
    return Found(shift, scores)


def _teach(practice: Population, tanks: int, say: Say) -> dict[str, Floats]:
    clubs = {
        source.world: [
            club
            for preset, seed in source.places
            for club in simulate_clubs(
                World(source.world, preset), CLUBS, tanks, WEEKS, seed, batch=1
            )
        ]
        for source in TAUGHT
    }
    say("simulated")
    shift = {}
    for name, some in (*clubs.items(), ("both", [c for each in clubs.values() for c in each])):
        club = merged(some)
        shift[name] = optimise_shift(club.panel(), practice, _true_labels(club, tanks))
        say(f"taught with {name}")
    return shift


def parameter_names(catalogue: Catalogue) -> list[str]:
    """A name for each entry of a shift."""
    priors = priors_from_catalogue(catalogue)
    axes = {
        "sign_logit": (priors.signs, priors.phases),
        "persistence": (priors.signs,),
        "reading_mean": (priors.analytes, priors.phases),
        "reading_sd": (priors.analytes, priors.phases),
        "husbandry": (priors.covariates, priors.phases),
        "pace_sd": (),
    }
    out = []
    for part in catalogue_shifts(priors).parts:
        default: Sequence[Sequence[str]] = (
            (priors.events,) if part.name.startswith("event_") else (priors.phases,)
        )
        labels: list[str] = [""]
        for axis in axes.get(part.name, default):
            labels = [f"{head}, {entry}" if head else entry for head in labels for entry in axis]
        out += [f"{part.name}[{label}]" if label else part.name for label in labels]
    return out


def write(found: Found, tanks: int, scored: int, out: Path, command: str) -> None:
    """Write ``README.md``, ``shifts.csv`` and ``scores.csv``.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    names = parameter_names(former_catalogue())
    kinds = list(next(iter(found.scores.values())))
    rows = []
    for (world, preset), by in found.scores.items():
        gains = [by[k] - by["practice"] for k in kinds]
        cells = [f"{by['practice'].mean():.3f}"] + [
            f"{g.mean():+.3f} ({g.std(ddof=1) / np.sqrt(len(g)):.3f})" for g in gains[1:]
        ]
        rows.append(f"| {world}, {preset} | " + " | ".join(cells) + " |")
    worlds = [source.world for source in TAUGHT]
    pair = np.array([found.shift[world] for world in worlds])
    moved = np.abs(pair).min(axis=0) > 0.3
    agree = float((np.sign(pair[0]) == np.sign(pair[1]))[moved].mean()) if moved.any() else np.nan
    unseen = np.array(
        [by["the catalogue"] - by["practice"] for (w, _), by in found.scores.items()
         if w == "mesocosm"]
    ).ravel()  # fmt: skip
    held_out = f"{unseen.mean():+.3f} ({unseen.std(ddof=1) / np.sqrt(len(unseen)):.3f})"
    both = found.shift["both"]
    largest = sorted(range(len(both)), key=lambda i: -abs(both[i]))[:25]
    text = f"""# Practice, weighed with simulated ecologies

The default population's numbers are common practice, shifted by as much as two simulated ecologies
together speak for (marks [W] in the catalogue). The two, `mechanistic` and `microcosm`, were
written apart from each other and from the model; by a third, `mesocosm`, no number of the catalogue
was chosen.
Taught with {tanks} tanks of each of {sum(len(s.places) for s in TAUGHT)} presets and seeds,
{WEEKS} weeks; scored on {scored} tanks of each preset, of other seeds, with an evidence weight of
{DEFAULT_EVIDENCE_WEIGHT:g}.

What is maximised: log P(true phase | log up to the week), by the weekly filter, all tanks of a
preset and seed together counting as {COUNT:g} judgements, less half the squared shift in prior
standard deviations.

Log score of practice alone, nats a tank-week, and what is gained over it (standard error over
clubs):

| scored on | practice | {" | ".join(kinds[1:])} |
|---|---|{"---|" * (len(kinds) - 1)}
{chr(10).join(rows)}

Rows of the ecology that a column was taught with (both, for the catalogue) are other tanks and
seeds of the same code: they flatter it. What an ecology teaches of another is in the other rows;
`mesocosm` has not taught at all, and there the catalogue gains {held_out}.

Of the {int(moved.sum())} numbers that both ecologies alone shift by more than 0.3 prior standard
deviations, they shift {"–" if not moved.any() else f"{100 * agree:.0f} %"} the same way.

The largest shifts, in prior standard deviations (all are in shifts.csv):

| parameter | {" | ".join(worlds)} | both |
|---|{"---|" * (len(worlds) + 1)}
{
        chr(10).join(
            f"| {names[i]} | "
            + " | ".join(f"{found.shift[w][i]:+.2f}" for w in (*worlds, "both"))
            + " |"
            for i in largest
        )
    }

How the catalogue was made of it: the shifts of both, rounded to two digits; those below a tenth of
a prior standard deviation, and numbers with a citation, were left alone. Diatoms (first seen in
weeks 2 to 8) and overfeeding (sets tanks back) were held to what practice says. What practice said
before is in `maturity_model/validation/{BEFORE}`. The count of {COUNT:g} was the best of 20, 60 and
180 where one ecology taught and the other was scored; that comparison, and the shifts behind the
catalogue, were made by a script in JAX that is not kept, with 200 tanks of each preset and seed,
fewer draws, widths a little different (spreads of readings shifted by analyte, not by phase),
and as its objective otherwise what stands above. This study finds its shifts again only so far.

Simulated tanks are not real ones: guesses about keepers' tanks were replaced by guesses about how
tanks work.

Made by `{command.replace("`", "")}`.
"""
    out.mkdir(parents=True, exist_ok=True)
    heads = ",".join((*worlds, "both"))
    lines = [f"parameter,{heads}"]
    lines += [
        ",".join([f'"{name}"', *(f"{found.shift[w][i]:.4f}" for w in (*worlds, "both"))])
        for i, name in enumerate(names)
    ]
    write_file(out / "shifts.csv", "\n".join(lines) + "\n")
    lines = ["world,preset,population,tanks,log_score,standard_error"]
    for (world, preset), by in found.scores.items():
        lines += [
            f"{world},{preset},{k},{len(x)},{x.mean():.5f},{x.std(ddof=1) / np.sqrt(len(x)):.5f}"
            for k, x in by.items()
        ]
    write_file(out / "scores.csv", "\n".join(lines) + "\n")
    write_file(out / "README.md", text)
