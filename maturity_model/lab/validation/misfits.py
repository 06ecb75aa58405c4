"""Whether logs that are said to fit badly are those where the program is over-sure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.misfit import LIMIT, chances, misfit
from maturity_model.lab.validation.cases import Case
from maturity_model.lab.validation.clubs import simulate_clubs
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

#: Weeks at which a page is looked at, and how many before it are scored.
LOOKS, SCORED = (12, 24, 40, 60), 8
#: Tanks of the model's own world that may be said to fit badly, at any look.
FALSE_ALARMS = 0.05


class Found(NamedTuple):
    """One case; N tanks, L looks.

    Attributes
    ----------
    excess : ndarray, shape (N, L)
        See :class:`.assessment.misfit.Misfit`.
    bad : bool ndarray, shape (N, L)
    log_score, over_sure : ndarray, shape (N, L)
        Mean over the weeks before the look: log probability of the true phase; the largest
        stated probability less whether its phase was true.
    """

    excess: Floats
    bad: Bools
    log_score: Floats
    over_sure: Floats


def measure(case: Case, clubs: int, tanks: int, seed: int, population: Population) -> Found:
    """Look at every tank of a case."""
    rows = []
    for club in simulate_clubs(case.world, clubs, tanks, max(LOOKS), seed):
        panel = club.panel()
        tables = make_tables(panel, population)
        known = chances(tables)
        for n in range(len(panel.tanks)):
            found = filter_tank(tables, n)[0]
            p, truth = found.phases()[: club.weeks], club.truth[n]
            p = p / p.sum(axis=1, keepdims=True)
            said = np.log(np.maximum(p[np.arange(len(p)), truth], 1e-12))
            said[truth < 0] = np.nan
            sure = np.where(truth < 0, np.nan, p.max(axis=1) - (p.argmax(axis=1) == truth))
            fits = [misfit(tables, n, found, known, weeks) for weeks in LOOKS]
            last = [slice(weeks - SCORED, weeks) for weeks in LOOKS]
            rows.append(
                (
                    [f.excess for f in fits],
                    [f.bad for f in fits],
                    [said[w].mean() for w in last],
                    [sure[w].mean() for w in last],
                )
            )
    excess, bad, log, sure = (np.array(column) for column in zip(*rows, strict=True))
    return Found(excess, bad.astype(bool), log, sure)


def run(
    chosen: Sequence[Case],
    tanks: tuple[int, int],
    seed: int,
    population: Population,
    say: Callable[[str], None] = lambda _: None,
) -> dict[str, Found]:
    """Look at every case.

    Parameters
    ----------
    chosen : sequence of Case
    tanks : tuple of int
        In the model's own world, each with parameters of its own; in each other case, two to
        a club.
    seed : int
    population : Population
    say : callable
        Told about progress.
    """
    out = {}
    for case in chosen:
        n = tanks[case.group != "own"]
        clubs = n if case.group == "own" else -(-n // 2)
        out[case.name] = measure(case, clubs, n, seed, population)
        say(case.name)
    return out


def false_alarms(own: Found) -> float:
    """Share of tanks that are said to fit badly at any look."""
    return float(own.bad.any(axis=1).mean())


def _mean(x: Floats, on: Bools) -> str:
    return f"{x[on].mean():+.2f}" if on.any() else "–"


def write(found: dict[str, Found], seed: int, out: Path, command: str) -> None:
    """Write ``README.md`` and ``misfit.csv``.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    table, csv = [], ["case,tanks,week,said_to_fit_badly,excess_median,excess_q95,"
                      "log_score_bad,log_score_other,over_sure_bad,over_sure_other"]  # fmt: skip
    for name, f in found.items():
        for i, week in enumerate(LOOKS):
            bad, n = f.bad[:, i], len(f.bad)
            excess = f.excess[:, i][np.isfinite(f.excess[:, i])]
            middle, high = np.quantile(excess, (0.5, 0.95)) if len(excess) else (np.nan, np.nan)
            pairs = [
                (x[:, i], on & np.isfinite(x[:, i]))
                for x in (f.log_score, f.over_sure)
                for on in (bad, ~bad)
            ]
            table.append(
                f"| {name} | {n} | {week} | {100 * bad.mean():.0f} % | {middle:.1f} | "
                + " | ".join(_mean(x, on) for x, on in pairs) + " |"
            )  # fmt: skip
            cells = [f"{x[on].mean():.6g}" if on.any() else "" for x, on in pairs]
            csv.append(",".join([name, str(n), str(week), f"{bad.mean():.6g}", f"{middle:.6g}",
                                 f"{high:.6g}", *cells]))  # fmt: skip
    own = found.get("own")
    verdict = "The model’s own world was not run."
    if own is not None:
        share = false_alarms(own)
        met = "met" if share < FALSE_ALARMS else "**MISSED**"
        verdict = (
            f"In the model’s own world {100 * share:.1f} % of {len(own.bad)} tanks were said to "
            f"fit badly at any of the looks (wanted: below {100 * FALSE_ALARMS:.0f} %): {met}."
        )
    command = command.replace("`", "")
    text = f"""# Logs that fit the model badly

A tank’s page says so when signs and readings keep differing from what the log before them led to
expect: the mean square of their standardised sums (the excess, about 1 where the model is right;
below, the median) is at least {LIMIT:g}. Whoever reads that should trust the probabilities
less. Here it is looked at after {", ".join(map(str, LOOKS))} weeks in simulated worlds, seed
{seed}, with the default population at its own evidence weight.

{verdict}

Log score and over-sureness (largest stated probability less how often its phase is true) are of
the {SCORED} weeks before the look, of tanks said to fit badly and of the others.

| case | tanks | week | fit badly | excess | log score, bad | others | over-sure, bad | others |
|---|---|---|---|---|---|---|---|---|
{chr(10).join(table)}

What it cannot see: a wrong phase that explains the log as well as the right one.

Made by `{command}`. All numbers are in misfit.csv.
"""
    out.mkdir(parents=True, exist_ok=True)
    write_file(out / "README.md", text)
    write_file(out / "misfit.csv", "\n".join(csv) + "\n")
