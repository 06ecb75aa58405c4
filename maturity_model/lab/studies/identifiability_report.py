"""The README of the study of identifiability: answers first, then tables, then its checks."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from maturity_model.lab.studies.contraction import LEARNED, THRESHOLDS
from maturity_model.lab.studies.identifiability_figure import picture
from maturity_model.lab.studies.identifiability_points import (
    CHECK_CHAINS,
    CHECK_LENGTH,
    CHECKIN,
    EVENTS,
    ONE_JUDGED_IN,
    READING,
    SIGN,
    Found,
    Setting,
)
from maturity_model.lab.studies.identifiability_sections import (
    WRONG,
    answers,
    by_group,
    doubling,
    groups_table,
    judged_table,
    misled,
    parameters,
    spans_table,
    truth_said,
    truth_table,
    unlearned,
)
from maturity_model.lab.studies.identifiability_tables import (
    Contracted,
    checks_csv,
    contracted,
    contraction_csv,
    tanks_csv,
)
from maturity_model.whole_files import write_file


def _checks(found: Found) -> str:
    lines = []
    for point, long in found.checks.items():
        usual = found.fits[point][0]
        ratio = usual.sd / long.sd
        off = float(np.sqrt(np.mean(np.log(ratio) ** 2)))
        # Contraction c = n / (n + m) changes by c (1 - c) with log n.
        tanks = 100 * math.expm1(2 * off / LEARNED)
        first, last = (1 - (f.sd / found.prior_sd) ** 2 for f in (usual, long))
        lines.append(
            f"- {point.tanks} tanks: sd of the short chain over that of the long ones, "
            f"{len(ratio)} parameters: median **{np.median(ratio):.3f}**, range "
            f"{ratio.min():.2f} to {ratio.max():.2f}, nine tenths within "
            f"{np.quantile(ratio, 0.05):.2f} to {np.quantile(ratio, 0.95):.2f}; contraction off "
            f"by {np.abs(first - last).mean():.3f} on average, {np.abs(first - last).max():.3f} "
            f"at most. So the tanks that one parameter needs in one club are off by some "
            f"{tanks:.0f} %; medians over groups and clubs by less. R-hat of the long chains at "
            f"most {long.r_hat:.3f}."
        )
    return "\n".join(lines) or "- No long chains were drawn in this reduced run."


def _listed(items: list[str]) -> str:
    return "\n".join(f"- {item}" for item in items) or "- nothing"


def write(found: Found, setting: Setting, out: Path) -> None:
    """Write ``contraction.csv``, ``tanks.csv``, ``checks.csv``, ``contraction.svg``, ``README.md``.

    Parameters
    ----------
    found : Found
    setting : Setting
        That it was found with.
    out : Path
    """
    out.mkdir(parents=True, exist_ok=True)
    table = contracted(found, setting.weeks)
    write_file(out / "contraction.csv", contraction_csv(table))
    write_file(out / "tanks.csv", tanks_csv(table))
    write_file(out / "checks.csv", checks_csv(found))
    write_file(out / "contraction.svg", picture(table))
    write_file(out / "README.md", readme(found, table, setting))


def readme(found: Found, table: Contracted, setting: Setting) -> str:
    """The text of ``README.md``."""
    fits = [f for point in found.fits.values() for f in point]
    full, last, usual = Setting(), table.sizes[-1], table.usual_weight
    reduced = (
        ""
        if setting == full
        else f"""
This is a **reduced** run: wanted are {full.clubs} clubs of {full.tanks} tanks, and logs of up to
{full.longest} weeks.
"""
    )
    years = setting.weeks * 7 / 365.2425
    return f"""# How many tanks until each parameter is learned

Tanks that a club needs, each logged for {setting.weeks} weeks, before its own fit says more than
practice: until a parameter's posterior has **half the standard deviation of its prior**
(contraction, 1 - var(posterior) / var(prior), at least {LEARNED:g}). Middle club of {table.clubs},
in brackets the range. Nobody judges the phase.

{answers(table)}

*Half*: of the parameters behind a line, whose number stands in brackets; *contraction* is their
median. Events and slips are rare: in {setting.weeks} weeks, {last} tanks suffer each kind of
event about {EVENTS * years * last:.0f} times. Evidence weight {usual:g} is what
`maturity-model fit` uses, as signs of a real tank are not independent; *weight 1* is the most that
a log could tell if they were.

**Never learned from logs alone**: contraction below {THRESHOLDS[0]:g} at {last} tanks even at
evidence weight 1, so these remain by and large what the prior says:

{by_group(unlearned(table, 1.0, THRESHOLDS[0]), table)}

**Not learned** by these clubs as `fit` fits them, contraction below {LEARNED:g} at {last} tanks:

{by_group(unlearned(table, usual, LEARNED), table)}

**Narrow is not right.** At {last} tanks the squared error against the known truth is larger than
the posterior says, more than {WRONG:g} times and beyond chance ([below](#against-the-truth)), at
evidence weight {usual:g} for

{_listed(misled(table, usual))}

and at evidence weight 1 for

{_listed(misled(table, 1.0))}

A posterior that is no narrower than practice is practice said again. What is not learned is not
useless: a fit carries the prior's uncertainty about it into every report.
{reduced}
![Contraction of each parameter against the number of tanks, in panels by group](contraction.svg)

## Tanks until half of a group is learned, by threshold

{groups_table(table)}

*If it went on likewise*: for what is not reached, where the median would reach {LEARNED:g} if every
further tank told as much as those before, contraction then being n / (n + m) (*far beyond*: too
little was learned to say); {doubling(table)}.

## Weeks instead of tanks

Median contraction of a group's parameters, over parameters and clubs:

{spans_table(table)}

## With judges

Likewise, every check-in of one tank in {ONE_JUDGED_IN} naming the phase, with judgements counting
whole, as in `fit`:

{judged_table(table)}

## Each parameter

Tanks until contraction is {LEARNED:g} in the middle club, at evidence weight {usual:g}; a dash with
the contraction at {last} tanks in brackets where that is not enough. Collapse has one baseline for
all phases, which stands at the first.

{parameters(table)}

## How far to believe it

The posteriors are drawn with NUTS, nothing is approximated: one chain of {setting.draws} draws
after {setting.tune} for each fit. Worst R-hat of half-chains
{max(f.r_hat for f in fits):.3f}, least effective draws {min(f.ess.min() for f in fits):.0f} (median
over parameters and fits {np.median([np.median(f.ess) for f in fits]):.0f}), divergences
{sum(f.divergent for f in fits)} in {len(fits)} fits. Against {CHECK_CHAINS} chains of
{CHECK_LENGTH * setting.draws} draws, first club:

{_checks(found)}

### Against the truth

The clubs' true parameters are known: mean squared distance of the posterior's mean from them, in
variances of the prior, and behind the stroke what the posterior says of it (1 - contraction). The
two agree where a fit is right. *Too high*: mean of posterior mean less truth, in prior sds.

{truth_table(table)}

Over all parameters and sizes the squared error is, in posterior variances (1 is right; standard
error over clubs; what only judges inform is left out), {truth_said(table)}.

Where weight {usual:g} is worse than weight 1, the likely reason is this: an evidence weight below 1
flattens what a phase shows, so that a slip of some weeks is hardly believed. For few tanks that is
caution; with many the error stays while the posterior goes on narrowing.

Not to be believed:

- **as a promise for real tanks.** The clubs come from the model's own world, where the phases are
  as practice says but for the spread of the prior, signs are independent given the phase, and
  everybody logs in the same way. Real logs tell less.
- **at the second digit.** The range over clubs is that of {table.clubs} draws of the parameters
  and designs, and noise of sampling comes on top (above).
- **beyond the catalogue's priors.** Narrow priors are hard to halve: where practice is sure, more
  tanks are needed to say more than practice, not less.
- **for parameters one by one where they trade off**: an event's strength and how long it acts can
  stay unlearned while their product is learned.

What is learned without judges does not reach the weekly reports unless `fit` is told so
(`--signs`, `--moves`, `--readings learned`): by default they keep to practice, and the errors above
speak for that.

## How it was made

{table.clubs} clubs, seed {setting.seed}, two tanks to a keeper, each club with its own draw of the
parameters from the catalogue's priors and its own design. A smaller club is the first tanks of the
largest, a shorter log its first weeks. A check-in in {CHECKIN:.0%} of weeks, which answers
{SIGN:.0%} of the signs and holds {READING:.0%} of the readings; each kind of event a tank suffers
{EVENTS:g} times a year. Contraction is taken on the scale on which the prior is about normal:
logarithms of hazards, times and kit noise, log-odds of signs and shares, spreads and persistence as
they are. It is made to rise with size (pool adjacent violators) and interpolated on log tanks for
each parameter and club.

`contraction.csv` has a line for each parameter and fit, with each club's contraction and posterior
mean less truth (in prior sds); `tanks.csv` the tanks needed by parameter, evidence weight and
threshold (empty: not within {last}; {table.sizes[0]} stands for that or fewer); `checks.csv` the
long chains.

Sampling took {sum(f.seconds for f in (*fits, *found.checks.values())) / 60:.0f} minutes by the
clock, one chain at a time, at low priority on a busy machine.

Made by `maturity-model study identifiability --clubs {setting.clubs} --tanks {setting.tanks} \
--weeks {setting.weeks} --longest {setting.longest} --seed {setting.seed} --draws {setting.draws} \
--tune {setting.tune} --out reports/identifiability`; a run that was interrupted goes on where it
stopped (`--work`).
"""
