"""Which way of pooling finds the phases of further tanks: the study and its page."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pandas as pd

from maturity_model.fitting.handing_on.choose_weight import WEIGHT_BY_SHIFT
from maturity_model.lab.page import Page, bullets, markdown_table
from maturity_model.lab.studies import pooling_weight
from maturity_model.lab.studies.clubs import ACCURACY, JUDGED_SHARE, STRONG
from maturity_model.lab.studies.pooling_fits import CHAINS
from maturity_model.lab.studies.pooling_scores import (
    AS_USED,
    KEY,
    PRACTICE,
    PRACTICE_MOVES,
    PRACTICE_WEIGHT,
    WEIGHTS,
    by_club,
    differences,
    label,
    score_ways,
)
from maturity_model.lab.studies.settings import Pooling
from maturity_model.lab.tasks import Say, silent
from maturity_model.population.constants import DEFAULT_WAY, FIT_WEIGHT

#: Log scores that differ by less are the same: using other draws moves the score this much.
SAME = 0.002
#: What each way means.
MEANING = {
    "whole": "everything is learned from the pool at evidence weight 0.4, the model as it is",
    "weight 1": "the same at evidence weight 1, plain Bayes",
    "held": "evidence weight 0.4, the spread of the priors of what phases show halved",
    "cut": "what phases show stays as practice says; how tanks move is learned given it; "
    "no longer run",
    "tank signs": "each tank shifts the log-odds of each sign in the fit; evidence weight 1",
    "judgements weighed": "as whole, judgements too at evidence weight 0.4",
    PRACTICE_MOVES: "how tanks move is put back to what practice says once everything is fitted",
    AS_USED: "what of the pool's signs, moves and readings tells its judgements better than "
    "practice does, by more than a standard error, and the ω that tells them best; without "
    f"judgements nothing but ω, and that no more than {FIT_WEIGHT:g}",
}


class Results(NamedTuple):
    """What the study found: frames as in the CSV files of these names.

    ``scores`` by club, way and weight (:func:`.by_club`), ``differences`` from practice, and
    ``weights`` by kind of club (:func:`.pooling_weight.run`).
    """

    scores: pd.DataFrame
    differences: pd.DataFrame
    weights: pd.DataFrame


class Verdict(NamedTuple):
    """One must-hold, and the difference from practice that decides it, with its 95 %."""

    what: str
    met: bool
    mean: float
    low: float
    high: float


def run(
    setting: Pooling, work: Path | None = None, processes: int = 1, say: Say = silent
) -> Results:
    """Score all ways of pooling, and evidence weights where the parameters are known."""
    folder = work or Path("build", setting.study)
    weights = pooling_weight.run(
        setting.seed, setting.weeks, setting.weight_clubs, folder, processes, say
    )
    tanks = score_ways(setting, folder, say)
    return Results(by_club(tanks), differences(tanks, setting.seed), weights)


def read(folder: Path) -> Results:
    """The committed results."""
    scores, gains, weights = (
        pd.read_csv(folder / f"{name}.csv", dtype={"judged": bool, "chosen": bool})
        for name in Results._fields
    )
    return Results(scores.fillna({"taken": ""}), gains.fillna({"taken": ""}), weights)


def verdicts(gains: pd.DataFrame, way: str, taken: str) -> list[Verdict]:
    """The two must-holds, for one way of pooling at the weights that the pools chose.

    Without judgements the mean difference must not be below -:data:`SAME`; with them the whole
    interval must lie above 0.
    """
    out = []
    for row in gains[(gains["way"] == way) & (gains["taken"] == taken)].itertuples():
        met, what = row.mean >= -SAME, f"no worse than practice (by more than {SAME:g})"
        what = f"without judgements, {what}"
        if row.judged:
            met = row.low > 0
            what = f"with a fifth of the tanks judged at {100 * ACCURACY:g} %, better than practice"
        out.append(Verdict(what, bool(met), row.mean, row.low, row.high))
    return out


def best_way(gains: pd.DataFrame) -> tuple[str, str]:
    """The way with the best worse case: the smaller of its two mean differences.

    Only ways that were fitted with and without judgements count.
    """
    both = gains.groupby(["way", "taken"], sort=False)["mean"].agg(["min", "size"])
    worse = both.loc[both["size"] == 2, "min"]
    if worse.empty:
        raise ValueError("no way was fitted with and without judgements")
    return worse.idxmax()


def summary(results: Results, setting: Pooling) -> list[str]:
    """The verdicts on what ``fit`` does."""
    return [
        f"{'met' if v.met else 'missed'}: {v.what} ({v.mean:+.3f})"
        for v in verdicts(results.differences, DEFAULT_WAY, AS_USED)
    ]


def _named(table: pd.DataFrame) -> pd.DataFrame:
    # Way, what is taken and judged, from the index to two columns.
    keys = list(table.index)
    table = table.reset_index(drop=True)
    table.insert(0, "way", [label(way, False, taken) for way, _, taken in keys])
    table.insert(1, "judged", ["a fifth" if judged else "none" for _, judged, _ in keys])
    return table


def _ways(results: Results) -> pd.DataFrame:
    chosen = results.scores[results.scores["chosen"]]
    each = chosen.groupby(KEY, sort=False)[["log_score", "calibration_error", "weight"]]
    digits = {"log_score": "{:.3f}", "calibration_error": "{:.3f}", "weight": "{:.2f}"}
    clubs = each.agg({n: lambda x, d=d: " ".join(map(d.format, x)) for n, d in digits.items()})
    gains = results.differences.set_index(KEY).sort_values("mean", ascending=False, kind="stable")
    gain = [f"{r.mean:+.3f} ({r.low:+.3f} to {r.high:+.3f})" for r in gains.itertuples()]
    table = _named(clubs.loc[gains.index].assign(gain=gain))
    practice = clubs.xs(PRACTICE, level="way").assign(way=f"*{PRACTICE}*", judged="", gain="0")
    table = pd.concat([practice.assign(weight=f"{PRACTICE_WEIGHT:g}"), table])
    return table[["way", "judged", "gain", *digits]].set_axis(
        ["way", "judged", "log score less practice (95 %)", "log score", "calibration error", "ω"],
        axis=1,
    )


def _by_weight(scores: pd.DataFrame) -> pd.DataFrame:
    practice = scores[scores["chosen"] & (scores["way"] == PRACTICE)]
    base = scores["club"].map(practice.set_index("club")["log_score"])
    rows = scores.assign(gain=scores["log_score"] - base)
    rows = rows[(rows["way"] != PRACTICE) & rows["weight"].isin(WEIGHTS)]
    gains = rows.groupby([*KEY, "weight"], sort=False)["gain"].mean().unstack()
    return _named(gains.map("{:+.3f}".format).rename(columns="ω = {:g}".format))


def _weights(weights: pd.DataFrame) -> pd.DataFrame:
    by_kind = weights.pivot(index="sign_effect_sd", columns="weight", values="phase_log_score")
    table = by_kind.map("{:.3f}".format).rename(columns="ω = {:g}".format)
    variance = weights.groupby("sign_effect_sd")[["shift_variance", "shift_variance_sd"]].first()
    cells = [f"{mean:.2f} ± {sd:.2f}" for mean, sd in variance.itertuples(index=False)]
    table.insert(0, "estimated variance", cells)
    table["best"] = pooling_weight.best(weights).map("{:g}".format)
    table.index = pd.Index(map("{:g}".format, table.index), name="spread of shifts")
    return table.reset_index()


def page(
    results: Results, setting: Pooling, default: tuple[str, str] = (DEFAULT_WAY, AS_USED)
) -> Page:
    """The page and its CSV files; ``default`` is the way that ``fit`` pools, and what it takes."""
    scores, gains, weights = results
    best = best_way(gains)
    one_step = sorted(set(pooling_weight.best(weights, "one_step_score")))
    kinds = weights.pivot(index="sign_effect_sd", columns="weight", values="one_step_score")
    page = Page("Which way of pooling finds the phases of further tanks", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        world=STRONG,
        clubs=scores["club"].nunique(),
        judged_share=100 * JUDGED_SHARE,
        accuracy=100 * ACCURACY,
        chains=CHAINS,
        practice_weight=PRACTICE_WEIGHT,
        ways=markdown_table(_ways(results)),
        meanings=bullets(f"*{k}*: {v}." for k, v in MEANING.items()),
        default=label(default[0], False, default[1]),
        verdicts=bullets(
            f"{v.what}: **{'met' if v.met else 'missed'}** "
            f"({v.mean:+.3f}, 95 % {v.low:+.3f} to {v.high:+.3f})"
            for v in verdicts(gains, *default)
        ),
        ranking=(
            "It is also the way with the best worse case of the two."
            if best == default
            else f"The best worse case of the two has: {label(best[0], False, best[1])}."
        ),
        by_weight=markdown_table(_by_weight(scores)),
        one_step="ω = " + " to ".join(f"{w:g}" for w in dict.fromkeys((one_step[0], one_step[-1]))),
        loss=(kinds.max(axis=1) - kinds[PRACTICE_WEIGHT]).max(),
        weight_tanks=pooling_weight.TANKS,
        curve=", ".join(f"{x:g} → {w:g}" for x, w in WEIGHT_BY_SHIFT),
        weights=markdown_table(_weights(weights)),
    )
    fine = dict.fromkeys(("log_score", "calibration_error"), "{:.5f}")
    flags = dict.fromkeys(("judged", "chosen"), "{:d}")
    page.csv("scores.csv", scores, fine | flags | {"weight": "{:g}", "shift_variance": "{:.4f}"})
    ends = dict.fromkeys(("mean", "low", "high"), "{:.5f}")
    page.csv("differences.csv", gains, ends | {"judged": "{:d}"})
    formats = {
        "sign_effect_sd": "{:g}",
        "weight": "{:g}",
        "shift_variance": "{:.4f}",
        "shift_variance_sd": "{:.4f}",
    }
    page.csv("weights.csv", weights, formats | dict.fromkeys(weights.columns[4:], "{:.5f}"))
    return page
