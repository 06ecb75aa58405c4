"""Which power on the likelihood predicts best where tanks have ways of their own.

Signs and readings of one tank are not independent given its phase: the tank carries
shifts of its own that the model lacks. This study simulates clubs whose tanks do, runs
the weekly filter with several evidence weights, and scores the filtered phase against
the truth. The parameters of each simulated club are one fresh draw from the catalogue's
priors, made with other seeds than the population that filters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.studies.scores import Score, score
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

WEIGHTS = (0.0, 0.15, 0.25, 0.35, 0.4, 0.45, 0.5, 0.65, 0.8, 1.0)


@dataclass(frozen=True)
class World:
    """Tanks' own shifts: of each sign's log-odds, of each analyte's log level (sd)."""

    name: str
    sign_effect_sd: float
    reading_effect_sd: float


WORLDS = (
    World("none", 0.0, 0.0),
    World("moderate", 0.7, 0.4),
    World("strong", 1.2, 0.7),
    World("very strong", 1.8, 1.0),
)
#: Clubs of each world; a club has one draw of the parameters.
CLUBS = 12
#: The weight is chosen over these worlds: real tanks are not all alike.
CHOSEN_OVER = ("moderate", "strong", "very strong")


def simulate_world(
    world: World, n_tanks: int, weeks: int, seed: int, clubs: int = CLUBS
) -> list[Simulated]:
    """Clubs of one world, each with its own draw of the parameters."""
    catalogue = load_catalogue()
    out = []
    for club in range(clubs):
        rng = np.random.default_rng([seed, club])
        truth = elicit_population(catalogue, 1.0, n_draws=64, seed=seed * 1000 + club + 1)
        habits = Habits(
            weeks=weeks,
            sign_effect_sd=world.sign_effect_sd,
            reading_effect_sd=world.reading_effect_sd,
        )
        out.append(simulate_logbook(truth, catalogue, n_tanks // clubs, rng, habits, one_draw=True))
    return out


def filtered_phases(panel: Panel, population: Population, weight: float) -> Floats:
    """P(phase | log up to each week) of all tanks, shape (R, K)."""
    tables = make_tables(panel, population, weight)
    return np.concatenate([filter_tank(tables, n)[0].phases() for n in range(len(panel.tanks))])


def run(
    n_tanks: int, weeks: int, seed: int, say: Callable[[str], None] = lambda _: None
) -> dict[tuple[str, float], Score]:
    """Scores of every world and weight.

    Parameters
    ----------
    n_tanks, weeks, seed : int
        Tanks of each world, their weeks, and the seed.
    say : callable
        Told about progress.
    """
    population = elicit_population(load_catalogue(), 1.0)
    out = {}
    for world in WORLDS:
        clubs = simulate_world(world, n_tanks, weeks, seed)
        truth = np.concatenate([np.concatenate(c.phases) for c in clubs])
        panels = [build_panel(c.logbook, c.logbook.catalogue) for c in clubs]
        # The last check-in may lie before the last simulated week.
        keep = np.concatenate(
            [np.concatenate([np.arange(weeks) < n for n in np.diff(p.first)]) for p in panels]
        )
        for weight in WEIGHTS:
            found = [filtered_phases(p, population, weight) for p in panels]
            ends = np.cumsum([len(p) for p in found])[:-1]
            each = zip(found, np.split(truth[keep], ends), strict=True)
            by_club = tuple(score(p, t).log_score for p, t in each)
            whole = score(np.concatenate(found), truth[keep])._replace(by_group=by_club)
            out[world.name, weight] = whole
            say(f"{world.name}, weight {weight}: {whole[:3]}")
    return out


def choose(scores: dict[tuple[str, float], Score]) -> float:
    """The weight with the best mean log score over the worlds with shifts."""
    mean = {w: np.mean([scores[name, w].log_score for name in CHOSEN_OVER]) for w in WEIGHTS}
    return max(mean, key=lambda w: float(mean[w]))


def _difference(
    scores: dict[tuple[str, float], Score], w: float, best: float
) -> tuple[float, float] | None:
    # Mean log score over the worlds chosen over, less that of another weight, and its
    # standard error over clubs (a club of one world has the parameters of its namesakes).
    each = [np.subtract(scores[n, w].by_group, scores[n, best].by_group) for n in CHOSEN_OVER]
    if not all(len(e) > 1 for e in each):
        return None
    mean = np.mean(each, axis=0)
    return float(mean.mean()), float(mean.std(ddof=1) / np.sqrt(len(mean)))


def _differences(scores: dict[tuple[str, float], Score], best: float) -> dict[float, str]:
    out = {}
    for w in WEIGHTS:
        found = None if w == best else _difference(scores, w, best)
        out[w] = "0" if w == best else "" if found is None else f"{found[0]:+.4f} ± {found[1]:.4f}"
    return out


def _default(scores: dict[tuple[str, float], Score], best: float) -> str:
    if best == DEFAULT_EVIDENCE_WEIGHT:
        return "."
    found = _difference(scores, DEFAULT_EVIDENCE_WEIGHT, best)
    lost = "" if found is None else f", which gives up {-found[0]:.4f} ± {found[1]:.4f} here"
    if best < DEFAULT_EVIDENCE_WEIGHT:
        return f"{lost}."
    return (
        f"{lost}: it is kept\nbecause in two simulated ecologies less weight tells the phase "
        "better ([measured](../validation/also_tried.md))."
    )


def write(
    scores: dict[tuple[str, float], Score], out: Path, n_tanks: int, weeks: int, seed: int
) -> None:
    """Write ``scores.csv`` and ``README.md``."""
    out.mkdir(parents=True, exist_ok=True)
    lines = ["world,weight,log_score,brier,calibration_error,log_score_by_club"]
    lines += [
        f"{name},{w},{s.log_score:.4f},{s.brier:.4f},{s.calibration_error:.4f},"
        + ";".join(f"{x:.6f}" for x in s.by_group)
        for (name, w), s in scores.items()
    ]
    write_file(out / "scores.csv", "\n".join(lines) + "\n")
    best = choose(scores)
    head = " | ".join(f"ω = {w:g}" for w in WEIGHTS)
    table = [f"| world | {head} |", "|---|" + "---|" * len(WEIGHTS)]
    for world in WORLDS:
        cells = [
            f"{scores[world.name, w].log_score:.3f} / {scores[world.name, w].calibration_error:.3f}"
            for w in WEIGHTS
        ]
        table.append(
            f"| {world.name} ({world.sign_effect_sd:g}, {world.reading_effect_sd:g}) | "
            + " | ".join(cells)
            + " |"
        )
    gap = _differences(scores, best)
    table.append("| *less the best* | " + " | ".join(gap[w] for w in WEIGHTS) + " |")
    text = f"""# The evidence weight of the practice population

The evidence weight ω is the power on the likelihood of signs and readings. It is chosen
here by prediction, on simulated tanks that carry shifts of their own which the model
lacks: each sign's log-odds, and each analyte's log level, are shifted by a normal amount
that stays with the tank (standard deviations in brackets). {n_tanks // CLUBS * CLUBS}
tanks of {weeks} weeks in each world, {CLUBS} clubs, each with its own draw of the parameters from
the catalogue's priors; seed {seed}.

Filtered phase against the truth, mean log score per tank-week / expected calibration
error over 15 bins. Nearer to 0 is better for both. ω = 0 uses no observation at all. The
last row: mean log score over the worlds with shifts, less that of the best weight, and
the standard error of that over clubs.

{chr(10).join(table)}

Best over the worlds with shifts ({", ".join(CHOSEN_OVER)}): **ω = {best:g}**. Where tanks have no
shifts of their own, ω = 1 is exact and best, and what ω = {best:g} costs there stands in the first
row.

The default population has ω = {DEFAULT_EVIDENCE_WEIGHT:g}{_default(scores, best)}

Made by `maturity-model study evidence-weight --out reports/evidence_weight`.
"""
    write_file(out / "README.md", text)
