"""What the pooling study found, in words and tables made from its numbers."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from maturity_model.fitting.handing_on.choose_weight import WEIGHT_BY_SHIFT
from maturity_model.lab.studies import pooling_weight
from maturity_model.lab.studies.pooling import (
    AS_USED,
    PRACTICE,
    PRACTICE_WEIGHT,
    SIGNS_AND_READINGS,
    WEIGHTS,
    Scored,
    difference,
    of_way,
    practice_of,
)
from maturity_model.lab.studies.pooling_weight import Kind
from maturity_model.lab.studies.pooling_worlds import ACCURACY, JUDGED_SHARE, Setting
from maturity_model.population.constants import FIT_WEIGHT
from maturity_model.whole_files import write_file

#: Log scores that differ by less are the same: other numbers of the same draws do.
SAME = 0.002
#: What each way means.
MEANING = {
    "whole": "everything is learned from the pool at evidence weight 0.4, the model as it is",
    "weight 1": "the same at evidence weight 1, plain Bayes",
    "held": "evidence weight 0.4, the spread of the priors of what phases show halved",
    "cut": "what phases show stays as practice says; how tanks move is learned given it",
    "tank signs": "each tank shifts the log-odds of each sign in the fit; evidence weight 1",
    "judgements weighed": "as whole, judgements too at evidence weight 0.4",
}


class Verdict(NamedTuple):
    """One must-hold.

    Attributes
    ----------
    what : str
    met : bool
    mean, low, high : float
        Held-out log score of a tank-week less that of practice, and its 95 % interval.
    """

    what: str
    met: bool
    mean: float
    low: float
    high: float


class Line(NamedTuple):
    """One way over all its clubs, at the weights that the pools chose.

    Attributes
    ----------
    way : str
    judged : bool
    taken : str
    weights, scores, errors, shifts : tuple of float
        Chosen weight, mean log score, calibration error and shift variance by club.
    mean, low, high : float
        Less practice.
    """

    way: str
    judged: bool
    taken: str
    weights: tuple[float, ...]
    scores: tuple[float, ...]
    errors: tuple[float, ...]
    shifts: tuple[float, ...]
    mean: float
    low: float
    high: float


def lines(rows: list[Scored], seed: int, weight: float | None = None) -> list[Line]:
    """All ways, at the chosen weights or at a given one."""
    out = []
    for way, judged, taken in dict.fromkeys((r.way, r.judged, r.taken) for r in rows):
        found = of_way(rows, way, judged, taken, weight)
        if way == PRACTICE or not found:
            continue
        base = practice_of(rows, [r.club for r in found])
        out.append(
            Line(
                way, judged, taken,
                tuple(r.weight for r in found),
                tuple(r.mean for r in found),
                tuple(r.calibration_error for r in found),
                tuple(r.shift_variance for r in found),
                *difference(found, base, seed),
            )
        )  # fmt: skip
    return out


def verdicts(rows: list[Scored], way: str, taken: str, seed: int) -> list[Verdict]:
    """The two must-holds, for one way of pooling at the weights that the pools chose.

    Without judgements the mean difference must not be below -:data:`SAME`; with them the whole
    interval must lie above 0.
    """
    out = []
    for line in lines(rows, seed):
        if (line.way, line.taken) == (way, taken):
            met = line.low > 0 if line.judged else line.mean >= -SAME
            what = (
                f"with a fifth of the tanks judged at {100 * ACCURACY:g} %, better than practice"
                if line.judged
                else f"without judgements, no worse than practice (by more than {SAME:g})"
            )
            out.append(Verdict(what, met, line.mean, line.low, line.high))
    return out


def best_way(rows: list[Scored], seed: int) -> tuple[str, str]:
    """The way with the best worse case: the smaller of its two mean differences.

    Only ways that were fitted with and without judgements count.
    """
    found: dict[tuple[str, str], dict[bool, float]] = {}
    for line in lines(rows, seed):
        found.setdefault((line.way, line.taken), {})[line.judged] = line.mean
    both = {key: min(d.values()) for key, d in found.items() if len(d) == 2}
    if not both:
        raise ValueError("no way was fitted with and without judgements")
    return max(both, key=lambda key: both[key])


def label(way: str, taken: str) -> str:
    """A way's name in tables."""
    return f"{way}, {taken}" if taken else way


def _each(values: tuple[float, ...], digits: int) -> str:
    return " ".join(f"{v:.{digits}f}" for v in values)


def _table(rows: list[Scored], seed: int) -> list[str]:
    head = "| way | judged | log score less practice (95 %) | log score | calibration error | ω |"
    out = [head, "|---|---|---|---|---|---|"]
    clubs = sorted({r.club for r in rows})
    base = practice_of(rows, clubs)
    scores = _each(tuple(b.mean for b in base), 3)
    errors = _each(tuple(b.calibration_error for b in base), 3)
    out.append(f"| *practice* | | 0 | {scores} | {errors} | {PRACTICE_WEIGHT:g} |")
    out += [
        f"| {label(line.way, line.taken)} | {'a fifth' if line.judged else 'none'} | "
        f"{line.mean:+.3f} ({line.low:+.3f} to {line.high:+.3f}) | {_each(line.scores, 3)} | "
        f"{_each(line.errors, 3)} | {_each(line.weights, 2)} |"
        for line in sorted(lines(rows, seed), key=lambda x: -x.mean)
    ]
    return out


def _by_weight(rows: list[Scored], seed: int) -> list[str]:
    out = ["| way | judged | " + " | ".join(f"ω = {w:g}" for w in WEIGHTS) + " |"]
    out.append("|---|---|" + "---|" * len(WEIGHTS))
    tables = [{(x.way, x.judged, x.taken): x for x in lines(rows, seed, w)} for w in WEIGHTS]
    for key in tables[0]:
        cells = [f"{t[key].mean:+.3f}" if key in t else "" for t in tables]
        way, judged, taken = key
        out.append(
            f"| {label(way, taken)} | {'a fifth' if judged else 'none'} | "
            + " | ".join(cells)
            + " |"
        )
    return out


def _weights(kinds: tuple[Kind, ...]) -> list[str]:
    used = pooling_weight.WEIGHTS
    out = ["| spread of shifts | told | " + " | ".join(f"ω = {w:g}" for w in used) + " | best |"]
    out.append("|---|---|" + "---|" * (len(used) + 1))
    for k in kinds:
        cells = " | ".join(f"{x:.3f}" for x in k.phase.mean(axis=0))
        told = f"{k.found.mean():.2f} ± {k.found.std(ddof=1):.2f}"
        out.append(f"| {k.sign_effect_sd:g} | {told} | {cells} | {k.best():g} |")
    return out


def _one_step(kinds: tuple[Kind, ...]) -> str:
    best = sorted({k.best_one_step() for k in kinds})
    loss = max(float(k.one_step.mean(axis=0).max() - k.one_step.mean(axis=0)[2]) for k in kinds)
    said = f"ω = {best[0]:g}" if len(best) == 1 else f"ω between {best[0]:g} and {best[-1]:g}"
    return (
        f"The score of the next check-in prefers {said} in every kind of club, whatever its\n"
        f"tanks' shifts, and ω = {pooling_weight.WEIGHTS[2]:g} costs at most {loss:.3f} nats of a "
        "check-in: a phase that is wrong for good predicts\nthe signs of a tank that is shifted "
        "for good."
    )


def csv_of(rows: list[Scored]) -> str:
    """All scores, one line for each club, way and weight."""
    out = [
        "club,way,judged,taken,weight,chosen,shift_variance,tank_weeks,log_score,calibration_error"
    ]
    out += [
        f"{r.club + 1},{r.way},{int(r.judged)},{r.taken},{r.weight:g},"
        f"{int(r.chosen)},{r.shift_variance:.4f},{int(r.weeks.sum())},{r.mean:.5f},"
        f"{r.calibration_error:.5f}"
        for r in rows
    ]
    return "\n".join(out) + "\n"


def weights_csv(kinds: tuple[Kind, ...]) -> str:
    """Scores by kind of club and weight, over clubs."""
    out = ["sign_effect_sd,told,weight,phase_log_score,calibration_error,one_step_score"]
    for k in kinds:
        columns = (x.mean(axis=0) for x in (k.phase, k.calibration, k.one_step))
        for w, a, b, c in zip(pooling_weight.WEIGHTS, *columns, strict=True):
            out.append(f"{k.sign_effect_sd:g},{k.found.mean():.4f},{w:g},{a:.5f},{b:.5f},{c:.5f}")
    return "\n".join(out) + "\n"


def readme(
    rows: list[Scored], kinds: tuple[Kind, ...], setting: Setting, default: tuple[str, str]
) -> str:
    """The report's text.

    Parameters
    ----------
    rows : list of Scored
    kinds : tuple of Kind
    setting : Setting
    default : tuple of str
        The way that ``maturity-model fit`` pools, and what is taken of it.
    """
    seed = setting.seed
    clubs = len({r.club for r in rows})
    found = verdicts(rows, *default, seed)
    said = "\n".join(
        f"- {v.what}: **{'met' if v.met else 'missed'}** "
        f"({v.mean:+.3f}, 95 % {v.low:+.3f} to {v.high:+.3f})"
        for v in found
    )
    best = best_way(rows, seed)
    ranking = (
        "It is also the way with the best worse case of the two."
        if best == default
        else f"The best worse case of the two has: {label(*best)}."
    )
    meanings = "\n".join(f"- *{k}*: {v}." for k, v in MEANING.items())
    newline = "\n"
    return f"""# Which way of pooling finds the phases of further tanks

Does a fit to a club's pool find the phases of further tanks of the club better than the
practice population does, where tanks have ways of their own that the model is not told
about? Each tank shifts the log-odds of each sign (spread {setting.sign_effect_sd:g}) and the log
level of each analyte ({setting.reading_effect_sd:g}). Clubs: {clubs}, each with its own draw of the
parameters from the catalogue's priors; pools of {setting.pool} tanks and {setting.weeks} weeks,
{setting.held_out} further tanks of each club to be scored; seed {seed}. *Judged*: every check-in of
{100 * JUDGED_SHARE:g} % of the pool's tanks names the phase, right at {100 * ACCURACY:g} %.
Each fit: {setting.chains} chains of {setting.tune} + {setting.draws} draws.

Filtered phase of the further tanks against the truth: mean log score of a tank-week (nearer
to 0 is better) less that of practice at ω = {PRACTICE_WEIGHT:g}, with a bootstrap over tanks
within clubs: it tells nothing of how clubs differ. Log score, calibration error and ω by
club; a way with fewer of them was fitted in the first clubs only. ω is what the pool chose,
below.

{newline.join(_table(rows, seed))}

{meanings}
- *{SIGNS_AND_READINGS}*: how tanks move is put back to what practice says once everything is
  fitted.
- *{AS_USED}*: what of the pool's signs, moves and readings tells its judgements better than
  practice does, by more than a standard error, and the ω that tells them best; without
  judgements nothing but ω, and that no more than {FIT_WEIGHT:g}.

With *judged*, judgements count whole in the fit whatever its evidence weight, unless said
otherwise.

## What `fit` does: {label(*default)}

{said}

{ranking}

A way that gains more here may not be safer. These clubs are run by the model, and their moves
and readings are drawn from the catalogue's priors, so that practice is right about them on
average. In a daily ecology that knows nothing of the model ([validation](../validation/README.md)),
what was learned without judgements costs more than it gains here, which is why `fit` stays with
practice unless judgements speak for the pool.

## The same by evidence weight of the filter

{newline.join(_by_weight(rows, seed))}

## How the evidence weight is chosen

{_one_step(kinds)} So one step ahead
cannot choose ω for phases. But what its predictions miss, summed over a tank's weeks, has a
variance that the predictions state if the model is right; the excess tells how far tanks
shift their signs. Below: simulated clubs whose parameters are known ({clubs_of(kinds)} clubs of
{pooling_weight.TANKS} tanks of each kind), what each tells, and the mean log score of the phase by
ω. The last column is what `fit` interpolates, from what a pool tells to ω:
{", ".join(f"{x:g} → {w:g}" for x, w in WEIGHT_BY_SHIFT)}.

{newline.join(_weights(kinds))}

Made by `maturity-model study pooling --out reports/pooling`.
"""


def clubs_of(kinds: tuple[Kind, ...]) -> int:
    """Clubs of each kind."""
    return len(kinds[0].found)


def write(
    rows: list[Scored],
    kinds: tuple[Kind, ...],
    setting: Setting,
    default: tuple[str, str],
    out: Path,
) -> None:
    """Write ``scores.csv``, ``weights.csv`` and ``README.md``."""
    out.mkdir(parents=True, exist_ok=True)
    write_file(out / "scores.csv", csv_of(rows))
    write_file(out / "weights.csv", weights_csv(kinds))
    write_file(out / "README.md", readme(rows, kinds, setting, default))
