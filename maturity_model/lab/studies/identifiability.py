"""How many tanks and weeks it takes until each parameter is learned: the study and its page."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from maturity_model.lab.page import Page, bullets, markdown_table
from maturity_model.lab.studies.contraction import LEARNED, THRESHOLDS, contraction
from maturity_model.lab.studies.identifiability_points import (
    CHECK_CHAINS,
    CHECK_LENGTH,
    HABITS,
    ONE_JUDGED_IN,
    checked,
    points,
)
from maturity_model.lab.studies.identifiability_tables import (
    DIGITS,
    WORDS,
    WRONG,
    Contracted,
    Middle,
    answers,
    contracted,
    doubling,
    error_ratio,
    from_columns,
    groups_table,
    judged_table,
    spans,
    tanks_table,
    to_columns,
    truth_table,
    understated_errors,
    unlearned,
)
from maturity_model.lab.studies.settings import Identifiability
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.population.constants import FIT_WEIGHT


class Results(NamedTuple):
    """What the fits say.

    ``contraction`` as of :func:`.identifiability_tables.contracted`; ``checks``, usual and long
    chains side by side, and ``sampling``, one row about all fits, as in the CSV files.
    """

    contraction: pd.DataFrame
    checks: pd.DataFrame
    sampling: pd.DataFrame


def run(
    setting: Identifiability, work: Path | None = None, processes: int = 1, say: Say = silent
) -> Results:
    """Fit all clubs at all points."""
    from maturity_model.lab.studies import identifiability_fits as fits

    # A club is the same in a study of more of them.
    one = replace(setting, clubs=1)
    tasks: dict[str, tuple[Any, ...]] = {
        f"club {number + 1}, {point}": (one, number, point)
        for number in range(setting.clubs)
        for point in points(setting)
    }
    tasks |= {f"club 1, {point}, long": (one, 0, point, True) for point in checked(setting)}
    whole = fits.club_panel(fits.make_club(one, 0), points(setting)[0])
    key = fits.refitter(FIT_WEIGHT).inputs(whole)
    found = run_tasks(fits.fit_point, tasks, folder=work, key=key, processes=processes, say=say)
    return results_of(pd.concat(found.values(), ignore_index=True))


def results_of(fits: pd.DataFrame) -> Results:
    """Hold posteriors against the prior, and short chains against long ones."""
    each = fits.groupby(["club", "tanks", "weeks", "weight", "judged", "long"])
    one = each.agg(
        r_hat=("r_hat", "first"),
        least=("ess", "min"),
        median=("ess", "median"),
        divergent=("divergent", "first"),
        seconds=("seconds", "first"),
    ).reset_index()
    usual = one[~one["long"]]
    sampling = {
        "fits": len(usual),
        "worst_r_hat": usual["r_hat"].max(),
        "least_ess": usual["least"].min(),
        "median_ess": usual["median"].median(),
        "divergent": usual["divergent"].sum(),
        "minutes": one["seconds"].sum() / 60,
    }
    on = ["club", "tanks", "weeks", "weight", "judged", "parameter", "prior_sd"]
    columns = [*on, "sd", "ess", "r_hat"]
    checks = fits.loc[~fits["long"], columns].merge(
        fits.loc[fits["long"], columns], on=on, suffixes=("", "_long")
    )
    shown = "parameter tanks weeks prior_sd sd sd_long ess ess_long r_hat_long".split()
    return Results(contracted(fits), checks[shown], pd.DataFrame([sampling]))


def read(folder: Path) -> Results:
    """The committed results."""
    wide, checks, sampling = (
        pd.read_csv(folder / f"{name}.csv") for name in ("contraction", "checks", "sampling")
    )
    return Results(from_columns(wide), checks, sampling)


def summary(results: Results, setting: Identifiability) -> list[str]:
    """Tanks until half of each question's parameters are learned."""
    table = answers(Contracted(results.contraction, setting.weeks))
    return [f"{row.iloc[0]}: {row.iloc[1].replace('**', '')}" for _, row in table.iterrows()]


def figure(found: Contracted) -> tuple[Figure, str]:
    """Contraction of every parameter against tanks, a panel a group; medians in words."""
    rows = math.ceil(len(WORDS) / 3)
    drawn = Figure((9.5, 1.9 * rows), layout="constrained")
    panels = drawn.subplots(rows, 3, sharex=True, sharey=True).ravel()
    numbers = []
    for (key, words), panel in zip(WORDS.items(), panels, strict=False):
        usual, whole = (
            found.by_size(weight)[lambda r, key=key: r["group"] == key]
            .groupby(["tanks", "parameter"])["contraction"]
            .mean()
            .unstack()
            for weight in (FIT_WEIGHT, 1.0)
        )
        panel.plot(usual.index, usual, color="C0", lw=0.8, alpha=0.35)
        panel.plot(usual.index, usual.median(axis=1), color="C0", lw=2.4)
        panel.plot(whole.index, whole.median(axis=1), color="C1", lw=2, ls="--")
        panel.axhline(LEARNED, color="0.6", ls="--", lw=1)
        panel.set_title(words, fontsize=9)
        panel.set(xscale="log", ylim=(0, 1), yticks=(0, LEARNED, 1))
        panel.set_xticks(found.sizes, [str(size) for size in found.sizes])
        panel.tick_params(labelbottom=True)
        panel.minorticks_off()
        medians = [f"{v:.2f} at {n}" for n, v in usual.median(axis=1).items()]
        numbers.append(f"{words}: {', '.join(medians)} tanks")
    for panel in panels[len(WORDS) :]:
        panel.set_visible(False)
    drawn.supxlabel(f"tanks of {found.weeks} weeks")
    drawn.supylabel("contraction")
    return drawn, "; ".join(numbers)


def checks_in_words(checks: pd.DataFrame) -> list[str]:
    """How far the posteriors of the short chains are from those of the long ones."""
    lines = []
    for tanks, rows in checks.groupby("tanks"):
        ratio = rows["sd"] / rows["sd_long"]
        off = float(np.sqrt(np.mean(np.log(ratio) ** 2)))
        # Contraction c = n / (n + m) changes by c (1 - c) with log n.
        more = 100 * math.expm1(2 * off / LEARNED)
        first, last = (contraction(rows[sd], rows["prior_sd"]) for sd in ("sd", "sd_long"))
        lines.append(
            f"{tanks} tanks: sd of the short chain over that of the long ones, {len(ratio)} "
            f"parameters: median **{ratio.median():.3f}**, range {ratio.min():.2f} to "
            f"{ratio.max():.2f}, nine tenths within {ratio.quantile(0.05):.2f} to "
            f"{ratio.quantile(0.95):.2f}; contraction off by {np.abs(first - last).mean():.3f} on "
            f"average, {np.abs(first - last).max():.3f} at most. So the tanks that one parameter "
            f"needs in one club are off by some {more:.0f} %; medians over groups and clubs by "
            f"less. R-hat of the long chains at most {rows['r_hat_long'].max():.3f}."
        )
    return lines


def page(results: Results, setting: Identifiability) -> Page:
    """The page and its CSV files: answers first, then tables, then how far to believe them."""
    found = Contracted(results.contraction, setting.weeks)
    last = found.sizes[-1]
    ratios = [(weight, error_ratio(found, weight)) for weight in (FIT_WEIGHT, 1.0)]
    error, bias = doubling(found)
    drawn, medians = figure(found)
    page = Page("How many tanks until each parameter is learned", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        weeks=setting.weeks,
        clubs=setting.clubs,
        first=found.sizes[0],
        last=last,
        weight=FIT_WEIGHT,
        learned=LEARNED,
        lowest=THRESHOLDS[0],
        wrong=WRONG,
        habits=HABITS,
        one_judged_in=ONE_JUDGED_IN,
        check_chains=CHECK_CHAINS,
        check_draws=CHECK_LENGTH * setting.draws,
        answers=markdown_table(answers(found), {f"contraction at {last} tanks": "{:.2f}"}),
        events=HABITS.events_per_year * setting.weeks * 7 / 365.2425 * last,
        never=bullets(unlearned(found, 1.0, THRESHOLDS[0])),
        not_learned=bullets(unlearned(found, FIT_WEIGHT, LEARNED)),
        understated_errors=bullets(understated_errors(found, FIT_WEIGHT), "nothing"),
        understated_errors_at_1=bullets(understated_errors(found, 1.0), "nothing"),
        reduced=setting.reduced,
        figure=page.image(
            "contraction.svg",
            drawn,
            "How much of the prior is gone, by number of tanks",
            "Contraction, 1 - var(posterior) / var(prior), against tanks on a logarithmic scale; "
            f"learned from {LEARNED:g} on. Medians: {medians}.",
        ),
        groups=markdown_table(groups_table(found)),
        error=error,
        bias=bias,
        spans=markdown_table(spans(found)),
        judged=markdown_table(judged_table(found)),
        sampling=results.sampling.iloc[0],
        checks=bullets(checks_in_words(results.checks), "no long chains were drawn"),
        truth=markdown_table(truth_table(found)),
        ratios=" and ".join(
            f"{r.mean():.2f}{f' ± {r.sem():.2f}' if len(r) > 1 else ''} at evidence weight {w:g}"
            for w, r in ratios
        ),
    )
    _add_csv(page, found, results)
    return page


def _add_csv(page: Page, found: Contracted, results: Results) -> None:
    wide = to_columns(found.rows)
    each = {"weight": "{:g}", **dict.fromkeys(wide.columns[6:], f"{{:.{DIGITS}f}}")}
    page.csv("contraction.csv", wide, each)
    formats = {"weight": "{:g}", "threshold": "{:g}"}
    formats |= dict.fromkeys(Middle._fields, "{:.1f}")
    page.csv("tanks.csv", tanks_table(found), formats)
    formats = dict.fromkeys(("prior_sd", "sd", "sd_long"), "{:.4f}")
    formats |= {"ess": "{:.0f}", "ess_long": "{:.0f}", "r_hat_long": "{:.3f}"}
    page.csv("checks.csv", results.checks, formats)
    formats = dict.fromkeys(("least_ess", "median_ess", "minutes"), "{:.0f}")
    page.csv("sampling.csv", results.sampling, formats | {"worst_r_hat": "{:.3f}"})
