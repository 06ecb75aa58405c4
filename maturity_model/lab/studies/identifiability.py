"""How many tanks and weeks it takes until each parameter is learned: the study and its page."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from maturity_model.lab.page import Page
from maturity_model.lab.studies.contraction import GROUPS, LEARNED, THRESHOLDS, contraction
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
    answers,
    contracted,
    doubling,
    error_ratio,
    from_columns,
    groups_table,
    judged_table,
    longer_or_more,
    middle,
    misled,
    size_words,
    spans,
    tanks_table,
    to_columns,
    truth_table,
    unlearned,
)
from maturity_model.lab.studies.settings import Identifiability
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.population.constants import FIT_WEIGHT


class Results(NamedTuple):
    """What the fits say.

    Attributes
    ----------
    contraction : DataFrame
        As of :func:`.identifiability_tables.contracted`.
    checks : DataFrame
        Usual and long chains side by side, as in ``checks.csv``.
    sampling : DataFrame
        One row about all fits, as in ``sampling.csv``.
    """

    contraction: pd.DataFrame
    checks: pd.DataFrame
    sampling: pd.DataFrame


def run(
    setting: Identifiability, work: Path | None = None, processes: int = 1, say: Say = silent
) -> Results:
    """Fit all clubs at all points.

    Parameters
    ----------
    setting : Identifiability
    work : Path, optional
        Keeps the fits; those already there are taken up.
    processes : int
    say : callable
        Called with one line of text per finished fit.
    """
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
    """Contraction of every parameter against tanks, a panel for each group.

    Returns
    -------
    Figure
    str
        The medians in numbers.
    """
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


#: Tables of single parameters: heading, and for each array of parameters what its column is
#: called, with ``{}`` for its second label. Husbandry has the phase second.
_TABLES = {
    "phase": {
        "log_advance": "stages passed", "log_setback": "set back", "log_collapse": "collapse",
        "husbandry": "{}",
    },
    "event": {
        "event_advance": "on ripening", "event_setback": "on setbacks",
        "event_collapse": "on collapses", "event_memory": "how long",
    },
    "sign": {"sign_logit": "{}", "persistence": "persistence"},
    "kit": {"reading_mean": "{}: level", "reading_sd": "{}: noise", "carry": "carry-over"},
}  # fmt: skip


def parameter_tables(found: Contracted) -> tuple[list[pd.DataFrame], dict[str, str]]:
    """Tanks until each parameter is learned, in a table for each kind.

    Returns
    -------
    list of DataFrame
    dict of str to str
        The same of the parameters that are in no table.
    """
    needed = found.tanks_needed(FIT_WEIGHT, LEARNED)
    largest = found.largest().groupby("parameter")["contraction"].median()
    said = {}
    for name, row in needed.iterrows():
        size = middle(row).tanks
        never = f"– ({largest[name]:.2f})"
        said[name] = never if math.isinf(size) else size_words(size, found.sizes)
    tables = []
    rest = dict(said)
    for heading, arrays in _TABLES.items():
        cells: dict[str, dict[str, str]] = {}
        for array, column in arrays.items():
            for name in (n for n in said if n.startswith(f"{array}[")):
                labels = name[len(array) + 1 : -1].split(", ")
                row, other = (labels[::-1] if array == "husbandry" else [*labels, ""])[:2]
                title = column.format(other).replace("_", " ")
                cells.setdefault(title, {})[row.replace("_", " ")] = rest.pop(name)
        table = pd.DataFrame(cells)
        tables.append(table.rename_axis(heading).reset_index())
    return tables, {n: s for n, s in rest.items() if not n.startswith("judge")}


def page(results: Results, setting: Identifiability) -> Page:
    """The page: answers first, then tables, then how far to believe it."""
    found = Contracted(results.contraction, setting.weeks)
    page = Page("How many tanks until each parameter is learned", setting.command)
    _answer(page, found, setting)
    _tables(page, found)
    _believe(page, found, results, setting)
    _made(page, found, setting, results.sampling.iloc[0])
    fine = f"{{:.{DIGITS}f}}"
    wide, tanks = to_columns(found.rows), tanks_table(found)
    each = {"weight": "{:g}", **dict.fromkeys(wide.columns[6:], fine)}
    page.csv("contraction.csv", wide, each)
    formats = {"weight": "{:g}", "threshold": "{:g}"}
    page.csv("tanks.csv", tanks, formats | dict.fromkeys(("tanks", "least", "most"), "{:.1f}"))
    formats = dict.fromkeys(("prior_sd", "sd", "sd_long"), "{:.4f}")
    formats |= {"ess": "{:.0f}", "ess_long": "{:.0f}", "r_hat_long": "{:.3f}"}
    page.csv("checks.csv", results.checks, formats)
    formats = {"worst_r_hat": "{:.3f}", "least_ess": "{:.0f}", "median_ess": "{:.0f}"}
    page.csv("sampling.csv", results.sampling, formats | {"minutes": "{:.0f}"})
    return page


def _answer(page: Page, found: Contracted, setting: Identifiability) -> None:
    last, clubs = found.sizes[-1], found.rows["club"].nunique()
    events = HABITS.events_per_year * setting.weeks * 7 / 365.2425 * last
    page.text(f"""
        Tanks that a club needs, each logged for {setting.weeks} weeks, before its own fit says more
        than practice: until a parameter's posterior has **half the standard deviation of its
        prior** (contraction, 1 - var(posterior) / var(prior), at least {LEARNED:g}). Middle club of
        {clubs}, in brackets the range. Nobody judges the phase.
        """)
    page.table(answers(found), {f"contraction at {last} tanks": "{:.2f}"})
    page.text(f"""
        *Half*: of the parameters behind a line, whose number stands in brackets; *contraction* is
        their median. Events and slips are rare: in {setting.weeks} weeks, {last} tanks suffer each
        kind of event about {events:.0f} times. Evidence weight {FIT_WEIGHT:g} is what
        `maturity-model fit` uses, as signs of a real tank are not independent; *weight 1* is the
        most that a log could tell if they were.

        **Never learned from logs alone**: contraction below {THRESHOLDS[0]:g} at {last} tanks even
        at evidence weight 1, so these remain by and large what the prior says:
        """)
    page.items(unlearned(found, 1.0, THRESHOLDS[0]))
    page.text(f"""
        **Not learned** by these clubs as `fit` fits them, contraction below {LEARNED:g} at {last}
        tanks:
        """)
    page.items(unlearned(found, FIT_WEIGHT, LEARNED))
    page.text(f"""
        **Narrow is not right.** At {last} tanks the squared error against the known truth is larger
        than the posterior says, more than {WRONG:g} times and beyond chance
        ([below](#against-the-truth)), at evidence weight {FIT_WEIGHT:g} for
        """)
    page.items(misled(found, FIT_WEIGHT), "nothing")
    page.text("and at evidence weight 1 for")
    page.items(misled(found, 1.0), "nothing")
    page.text("""
        A posterior that is no narrower than practice is practice said again. What is not learned is
        not useless: a fit carries the prior's uncertainty about it into every report.
        """)
    full = Identifiability()
    if setting != full:
        page.text(f"""
            This is a **reduced** run: wanted are {full.clubs} clubs of {full.tanks} tanks, and logs
            of up to {full.longest} weeks.
            """)
    drawn, medians = figure(found)
    page.figure(
        "contraction.svg",
        drawn,
        "How much of the prior is gone, by number of tanks",
        f"Contraction, 1 - var(posterior) / var(prior), against tanks of {found.weeks} weeks on a "
        f"logarithmic scale; learned from {LEARNED:g} on. Medians: {medians}.",
    )
    page.text(f"""
        *Thin*: each parameter, mean of the clubs. *Bold*: their median, at evidence weight
        {FIT_WEIGHT:g}. *Dashed*: the median at 1.
        """)


def _tables(page: Page, found: Contracted) -> None:
    page.heading("Tanks until half of a group is learned, by threshold")
    page.table(groups_table(found))
    error, bias = doubling(found)
    last = found.sizes[-1]
    page.text(f"""
        *If it went on likewise*: for what is not reached, where the median would reach {LEARNED:g}
        if every further tank told as much as those before, contraction then being n / (n + m)
        (*far beyond*: too little was learned to say); from half as many tanks that rule foretells
        contraction at {last} with an error of {error:.3f} on average,
        {"too high" if bias > 0 else "too low"} by {abs(bias):.3f}.
        """)
    table = spans(found)
    if len(table.columns):
        page.heading("Weeks instead of tanks")
        page.text("Median contraction of a group's parameters, over parameters and clubs:")
        page.table(_named(table.set_axis([f"{n} tanks, {w} weeks" for n, w in table], axis=1)))
        page.text(longer_or_more(table))
    judged = judged_table(found)
    if len(judged.columns):
        page.heading("With judges")
        page.text(f"""
            Likewise, every check-in of one tank in {ONE_JUDGED_IN} naming the phase,
            with judgements counting whole, as in `fit`:
            """)
        page.table(_named(judged))
    page.heading("Each parameter")
    page.text(f"""
        Tanks until contraction is {LEARNED:g} in the middle club, at evidence weight
        {FIT_WEIGHT:g}; a dash with the contraction at {last} tanks in brackets where that is not
        enough. Collapse has one baseline for all phases, which stands at the first.
        """)
    tables, others = parameter_tables(found)
    for table in tables:
        page.table(table)
    page.text(f"Others: {', '.join(f'`{n}` {words}' for n, words in others.items())}.")


def _named(table: pd.DataFrame) -> pd.DataFrame:
    # Groups as the first column, numbers with two digits.
    cells = table.map("{:.2f}".format)
    return cells.rename({g.key: g.words for g in GROUPS}).rename_axis("what").reset_index()


def _believe(page: Page, found: Contracted, results: Results, setting: Identifiability) -> None:
    one = results.sampling.iloc[0]
    page.heading("How far to believe it")
    page.text(f"""
        The posteriors are drawn with NUTS, nothing is approximated: one chain of {setting.draws}
        draws after {setting.tune} for each fit. Worst R-hat of half-chains
        {one["worst_r_hat"]:.3f}, least effective draws {one["least_ess"]:.0f} (median over
        parameters and fits {one["median_ess"]:.0f}), divergences {one["divergent"]:.0f} in
        {one["fits"]:.0f} fits. Against {CHECK_CHAINS} chains of {CHECK_LENGTH * setting.draws}
        draws, first club:
        """)
    page.items(checks_in_words(results.checks), "No long chains were drawn in this reduced run.")
    page.heading("Against the truth", level=3)
    page.text("""
        The clubs' true parameters are known: mean squared distance of the posterior's mean from
        them, in variances of the prior, and behind the stroke what the posterior says of it
        (1 - contraction). The two agree where a fit is right. *Too high*: mean of posterior mean
        less truth at the largest size, in prior sds.
        """)
    page.table(truth_table(found))
    ratios = {weight: error_ratio(found, weight) for weight in (FIT_WEIGHT, 1.0)}
    said = [
        f"{r.mean():.2f}{f' ± {r.sem():.2f}' if len(r) > 1 else ''} at evidence weight {w:g}"
        for w, r in ratios.items()
    ]
    page.text(f"""
        Over all parameters and sizes the squared error is, in posterior variances (1 is right;
        standard error over clubs; what only judges inform is left out), {" and ".join(said)}.

        Where weight {FIT_WEIGHT:g} is worse than weight 1, the likely reason is this: an evidence
        weight below 1 flattens what a phase shows, so that a slip of some weeks is hardly believed.
        For few tanks that is caution; with many the error stays while the posterior goes on
        narrowing.

        Not to be believed:

        - **as a promise for real tanks.** The clubs come from the model's own world, where the
        phases are as practice says but for the spread of the prior, signs are independent given the
        phase, and everybody logs in the same way. Real logs tell less.
        - **at the second digit.** The range over clubs is that of {setting.clubs} draws of the
        parameters and designs, and noise of sampling comes on top (above).
        - **beyond the catalogue's priors.** Narrow priors are hard to halve: where practice is
        sure, more tanks are needed to say more than practice, not less.
        - **for parameters one by one where they trade off**: an event's strength and how long it
        acts can stay unlearned while their product is learned.

        What is learned without judges reaches the weekly reports only where `fit` is asked for it
        (`--signs`, `--moves`, `--readings learned`): by default they keep to practice, and the
        errors above speak for that.
        """)


def _made(page: Page, found: Contracted, setting: Identifiability, sampling: pd.Series) -> None:
    sizes = found.sizes
    page.heading("How it was made")
    page.text(f"""
        {setting.clubs} clubs, seed {setting.seed}, two tanks to a keeper, each club with its own
        draw of the parameters from the catalogue's priors and its own design. A smaller club is the
        first tanks of the largest, a shorter log its first weeks. A check-in in
        {HABITS.checkin:.0%} of weeks, which answers {HABITS.sign:.0%} of the signs and holds
        {HABITS.reading:.0%} of the readings; each kind of event a tank suffers
        {HABITS.events_per_year:g} times a year. Contraction is taken on the scale on which the
        prior is about normal: logarithms of hazards, times and kit noise, log-odds of signs and
        shares, spreads and persistence as they are. It is made to rise with size (isotonic
        regression) and interpolated on log tanks for each parameter and club.

        `contraction.csv` has a line for each parameter and fit, with each club's contraction and
        posterior mean less truth (in prior sds); `tanks.csv` the tanks needed by parameter,
        evidence weight and threshold (empty: not within {sizes[-1]}; {sizes[0]} stands for that or
        fewer); `checks.csv` the long chains; `sampling.csv` how all chains went.

        Sampling took {sampling["minutes"]:.0f} minutes by the clock, one chain at a time.
        """)
