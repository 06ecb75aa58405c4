"""What the fits of the study of identifiability say: contraction, and tanks needed.

Contraction comes as a data frame with a row for each parameter, fit and club: ``parameter``, its
``group`` (:data:`.contraction.GROUPS`), ``weight``, ``judged`` and the club's ``tanks`` and
``weeks``; ``contraction``; and ``off``, the posterior mean less the truth in standard deviations
of the prior.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.lab.studies.contraction import (
    GROUPS,
    LEARNED,
    THRESHOLDS,
    contraction,
    extrapolated,
    group_of,
    share_learned,
    size_at,
)
from maturity_model.population.constants import FIT_WEIGHT

#: Decimals of contraction on file.
DIGITS = 3
POINT = ["parameter", "group", "weight", "judged", "tanks", "weeks"]
#: What is asked first: words, and the groups that answer.
QUESTIONS = {
    "how long phases last": ["times"],
    "signs: how often each is seen in each phase": ["signs"],
    "kits: what they read in each phase": ["levels"],
    "kits: their noise": ["noise"],
    "events: what each does, and for how long": ["events", "memory"],
    "slipping back: how often, unprovoked": ["slips"],
}
#: Groups that a log without judgements can inform.
WORDS = {g.key: g.words for g in GROUPS if g.key != "judges"}
#: Shares of a question's parameters.
HALF, MOST = 0.5, 0.9
#: At most this number of parameters is named in a list.
NAMED = 8
#: Of fewer parameters the error is chance. From these on a squared error counts as larger than
#: stated (times the posterior's variance), and as one-sided (prior standard deviations).
FEW, WRONG, BIASED = 3, 1.5, 0.3
#: Standard errors that are put down to chance.
CHANCE = 2.5
#: Less contraction than this is not extrapolated.
LEAST = 0.2


class Middle(NamedTuple):
    """Median, smallest and largest over clubs; of an even number the larger middle one."""

    tanks: float
    least: float
    most: float


def middle(values: Floats) -> Middle:
    """The middle club, and the range of all."""
    ordered = np.sort(np.ravel(values))
    return Middle(*ordered[[len(ordered) // 2, 0, -1]].tolist())


def contracted(fits: pd.DataFrame) -> pd.DataFrame:
    """Hold the posteriors of usual chains against the prior, rounded as on file."""
    usual = fits[~fits["long"]]
    out = usual[["parameter", "weight", "judged", "tanks", "weeks", "club"]].copy()
    out.insert(1, "group", [group_of(name).key for name in usual["parameter"]])
    out["contraction"] = contraction(usual["sd"], usual["prior_sd"]).round(DIGITS)
    out["off"] = ((usual["mean"] - usual["truth"]) / usual["prior_sd"]).round(DIGITS)
    return out


def to_columns(rows: pd.DataFrame) -> pd.DataFrame:
    """Contraction with a column for each club, as in ``contraction.csv``."""
    named = rows.rename(columns={"contraction": "club_"}).rename(columns={"off": "off_"})
    wide = named.pivot(index=POINT, columns="club", values=["club_", "off_"])
    wide.columns = [f"{what}{club}" for what, club in wide.columns]
    order = pd.MultiIndex.from_frame(rows[POINT].drop_duplicates())
    return wide.loc[order].reset_index().assign(judged=lambda x: x["judged"].map(_YES_NO))


_YES_NO = {True: "yes", False: "no"}


def from_columns(wide: pd.DataFrame) -> pd.DataFrame:
    """The inverse of :func:`to_columns`."""
    rows = pd.wide_to_long(wide, ["club", "off"], i=POINT, j="number", sep="_").reset_index()
    rows["judged"] = rows["judged"] == "yes"
    return rows.rename(columns={"club": "contraction", "number": "club"})


@dataclass(frozen=True, eq=False)
class Contracted:
    """Contraction of every parameter at every point of every club, as described above.

    ``weeks`` are those of the clubs of different sizes.
    """

    rows: pd.DataFrame
    weeks: int

    @property
    def names(self) -> list[str]:
        """The parameters, in order."""
        return list(dict.fromkeys(self.rows["parameter"]))

    @property
    def sizes(self) -> list[int]:
        """Numbers of tanks, rising."""
        return sorted(self.by_size()["tanks"].unique().tolist())

    def by_size(self, weight: float = FIT_WEIGHT) -> pd.DataFrame:
        """Rows of the clubs of different sizes, none of them judged."""
        rows = self.rows
        return rows[(rows["weeks"] == self.weeks) & ~rows["judged"] & (rows["weight"] == weight)]

    def largest(self, weight: float = FIT_WEIGHT) -> pd.DataFrame:
        """Rows of the largest size."""
        return self.by_size(weight)[lambda rows: rows["tanks"] == self.sizes[-1]]

    def members(self, *groups: str) -> list[str]:
        """The parameters of some groups."""
        return [name for name in self.names if group_of(name).key in groups]

    @cache  # noqa: B019 (a run makes one of these)
    def tanks_needed(self, weight: float, threshold: float) -> pd.DataFrame:
        """Tanks at which each parameter is learned (rows), in each club (columns)."""
        values = self.by_size(weight).pivot(
            index=["parameter", "club"], columns="tanks", values="contraction"
        )
        sizes = [size_at(list(values.columns), row, threshold) for row in values.to_numpy()]
        return pd.Series(sizes, index=values.index).unstack().loc[self.names]

    def groups_need(
        self, groups: list[str], weight: float, threshold: float, share: float
    ) -> Floats:
        """Tanks at which a share of some groups' parameters is learned, by club."""
        needed = self.tanks_needed(weight, threshold).loc[self.members(*groups)]
        return np.array([share_learned(needed[club], share) for club in needed])

    def medians(self) -> pd.Series:
        """Median contraction over parameters and clubs, by group, weight, judged, tanks, weeks."""
        return self.rows.groupby(POINT[1:])["contraction"].median()


def tanks_table(found: Contracted) -> pd.DataFrame:
    """Tanks until each parameter is learned in the middle club, as in ``tanks.csv``.

    Missing: not within the largest club. The smallest club stands for itself or fewer.
    """
    rows = [
        (name, group_of(name).key, weight, threshold, *middle(needed))
        for weight in (FIT_WEIGHT, 1.0)
        for threshold in THRESHOLDS
        for name, needed in found.tanks_needed(weight, threshold).iterrows()
    ]
    columns = ["parameter", "group", "weight", "threshold", *Middle._fields]
    return pd.DataFrame(rows, columns=columns).replace(math.inf, math.nan)


def size_words(value: float, sizes: list[int]) -> str:
    """One number of tanks in words."""
    if math.isinf(value):
        return f"over {sizes[-1]}"
    return f"{sizes[0]} or fewer" if value <= sizes[0] else f"{value:.0f}"


def sizes_in_words(values: Floats, sizes: list[int]) -> str:
    """Tanks until something is learned, of those tried: the middle club, and the range of all."""
    centre, least, most = middle(values)
    if math.isinf(least):
        return f"**not within {sizes[-1]}**"
    if math.isinf(centre):
        return f"**not within {sizes[-1]}** (one club from {size_words(least, sizes)})"
    if least == most:
        return size_words(centre, sizes)
    return f"{size_words(centre, sizes)} ({size_words(least, sizes)} to {size_words(most, sizes)})"


def answers(found: Contracted) -> pd.DataFrame:
    """Tanks until each question is answered."""

    def tanks(groups: list[str], weight: float, share: float) -> str:
        return sizes_in_words(found.groups_need(groups, weight, LEARNED, share), found.sizes)

    largest = found.largest()
    return pd.DataFrame(
        {
            "what about": f"{words} ({len(found.members(*groups))})",
            "tanks until half is learned": tanks(groups, FIT_WEIGHT, HALF),
            "until nine tenths is": tanks(groups, FIT_WEIGHT, MOST),
            f"contraction at {found.sizes[-1]} tanks": largest["contraction"][
                largest["group"].isin(groups)
            ].median(),
            "half, at weight 1": tanks(groups, 1.0, HALF),
            "nine tenths, at weight 1": tanks(groups, 1.0, MOST),
        }
        for words, groups in QUESTIONS.items()
    )


def unlearned(found: Contracted, weight: float, threshold: float) -> list[str]:
    """What the middle club does not learn at any size, by group; judges left out."""
    needed = found.tanks_needed(weight, threshold)
    never = {name for name, row in needed.iterrows() if math.isinf(middle(row).tanks)}
    lines = []
    for key, words in WORDS.items():
        own = [n for n in found.members(key) if n in never]
        left = [n for n in found.members(key) if n not in never]
        if not own:
            continue
        # The shorter of both lists is written out.
        which = "all" if not left else ", ".join(f"`{n}`" for n in own)
        if left and len(own) > NAMED:
            which = "all but " + ", ".join(f"`{n}`" for n in left)
            which = which if len(left) <= NAMED else "see the tables below"
        lines.append(f"{words}: {len(own)} of {len(own) + len(left)} ({which})")
    return lines


def groups_table(found: Contracted) -> pd.DataFrame:
    """Tanks until half of each group is learned, by threshold."""
    last, rows = found.sizes[-1], []
    for key, words in WORDS.items():
        wanted = [(f"{t:g}", FIT_WEIGHT, t) for t in THRESHOLDS]
        wanted.append((f"{LEARNED:g} at weight 1", 1.0, LEARNED))
        sizes = {name: found.groups_need([key], w, t, HALF) for name, w, t in wanted}
        there = found.medians()[key, FIT_WEIGHT, False, last, found.weeks]
        more = "far beyond"
        if there >= LEAST:
            more = f"about {float(f'{extrapolated(last, there, LEARNED):.2g}'):g} tanks"
        if not math.isinf(middle(sizes[f"{LEARNED:g}"]).tanks):
            more = ""
        cells = {name: sizes_in_words(size, found.sizes) for name, size in sizes.items()}
        name = f"{words} ({len(found.members(key))})"
        rows.append({"what": name, **cells, "if it went on likewise": more})
    return pd.DataFrame(rows)


def _by_group(table: pd.DataFrame, headings: list[str]) -> pd.DataFrame:
    # Medians with two digits, a row for each group.
    words = {g.key: g.words for g in GROUPS if g.key in table.index}
    cells = table.loc[list(words)].set_axis(headings, axis=1).map("{:.2f}".format)
    return cells.rename(words).rename_axis("what").reset_index()


def spans(found: Contracted) -> pd.DataFrame:
    """Median contraction of each group by weeks, at the same tanks and at twice as many."""
    unjudged = found.medians().drop("judges").xs((FIT_WEIGHT, False), level=("weight", "judged"))
    table = unjudged.unstack(["tanks", "weeks"])
    tanks = {t for t, weeks in table if weeks != found.weeks}
    chosen = sorted((t, w) for t, w in table if t in tanks)
    chosen += [(2 * t, found.weeks) for t in tanks if (2 * t, found.weeks) in table]
    return _by_group(table[chosen], [f"{t} tanks, {w} weeks" for t, w in chosen])


def judged_table(found: Contracted) -> pd.DataFrame:
    """Median contraction of each group with and without judges."""
    medians = found.medians().xs((FIT_WEIGHT, found.weeks), level=("weight", "weeks"))
    table = medians.unstack(["tanks", "judged"])
    tanks = sorted({t for t, judged in table if judged})
    chosen = [(t, judged) for t in tanks for judged in (False, True)]
    return _by_group(
        table[chosen], [f"{t} tanks{', judged' if judged else ''}" for t, judged in chosen]
    )


def errors(found: Contracted, weight: float) -> pd.DataFrame:
    """Squared error by group and size, beside what the posterior says of it.

    ``error``, mean of squared ``off``; ``left``, mean of 1 - contraction, which agrees with it
    where a fit is right; ``bias``, mean of ``off``; and their number ``n``. Small groups are left
    out.
    """
    rows = found.by_size(weight)
    rows = rows.assign(error=rows["off"] ** 2, left=1 - rows["contraction"])
    table = rows.groupby(["group", "tanks"]).agg(
        error=("error", "mean"), left=("left", "mean"), bias=("off", "mean"), n=("off", "size")
    )
    return table.loc[[key for key in WORDS if len(found.members(key)) >= FEW]]


def truth_table(found: Contracted) -> pd.DataFrame:
    """Squared error of each group by size, at both weights, in words."""
    rows = []
    tables = {weight: errors(found, weight) for weight in (FIT_WEIGHT, 1.0)}
    for key in dict.fromkeys(tables[1.0].index.get_level_values("group")):
        for weight, table in tables.items():
            own = table.loc[key]
            cells = {f"{n} tanks": f"{r.error:.2f} / {r.left:.2f}" for n, r in own.iterrows()}
            what = f"{WORDS[key]} ({len(found.members(key))})"
            bias = f"{own['bias'].iloc[-1]:+.2f}"
            rows.append({"what": what, "weight": f"{weight:g}", **cells, "too high": bias})
    return pd.DataFrame(rows)


def understated_errors(found: Contracted, weight: float) -> list[str]:
    """Groups whose error at the largest size is larger than the posterior says, in words."""
    out = []
    for (key, _), row in (
        errors(found, weight).xs(found.sizes[-1], level="tanks", drop_level=False).iterrows()
    ):
        ratio, bias = row["error"] / row["left"], row["bias"]
        # What chance makes of as many independent squares.
        if ratio <= max(WRONG, 1 + CHANCE * math.sqrt(2 / row["n"])):
            continue
        side = f", too {'high' if bias > 0 else 'low'} by {abs(bias):.1f} prior sds on average"
        side = side if abs(bias) > BIASED else ""
        out.append(f"{WORDS[key]}: squared error {ratio:.1f} times as large{side}")
    return out


def error_ratio(found: Contracted, weight: float) -> pd.Series:
    """Squared error in variances of the posterior, mean of each club; 1 is right."""
    rows = found.by_size(weight)
    rows = rows[rows["group"] != "judges"]
    return (rows["off"] ** 2 / (1 - rows["contraction"])).groupby(rows["club"]).mean()


def doubling(found: Contracted) -> tuple[float, float]:
    """How far the rule of extrapolation is off from half the largest size to that: mean, bias."""
    values = found.by_size()[lambda rows: rows["group"] != "judges"].pivot(
        index=["parameter", "club"], columns="tanks", values="contraction"
    )
    half, last = values.columns[-2:] if values.shape[1] > 1 else (values.columns[0],) * 2
    a, b = values[half], values[last]
    off = last * a / (last * a + half * (1 - a)) - b
    return float(off.abs().mean()), float(off.mean())
