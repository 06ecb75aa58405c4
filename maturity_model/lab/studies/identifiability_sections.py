"""Tables of the study of identifiability, in words of the trade."""

from __future__ import annotations

import math

import numpy as np

from maturity_model._typing import Floats
from maturity_model.lab.studies.contraction import (
    GROUPS,
    LEARNED,
    THRESHOLDS,
    Group,
    extrapolated,
    group_of,
)
from maturity_model.lab.studies.identifiability_points import Point
from maturity_model.lab.studies.identifiability_tables import Contracted, middle

#: What is asked first: words, and the groups that answer.
QUESTIONS = (
    ("how long phases last", ("times",)),
    ("signs: how often each is seen in each phase", ("signs",)),
    ("kits: what they read in each phase", ("levels",)),
    ("kits: their noise", ("noise",)),
    ("events: what each does, and for how long", ("events", "memory")),
    ("slipping back: how often, unprovoked", ("slips",)),
)
#: Shares of a question's parameters.
HALF, MOST = 0.5, 0.9
#: So many parameters are named in a list.
NAMED = 8
#: Of fewer parameters the error is chance. From these on a squared error is said to be larger
#: than stated (times the posterior's variance), and one-sided (prior standard deviations).
FEW, WRONG, BIASED = 3, 1.5, 0.3
#: Standard errors that are put down to chance.
CHANCE = 2.5
#: Less contraction than this is not extrapolated, and so much between two sizes is a difference.
LEAST, DIFFERENCE = 0.2, 0.05


def _size(value: float, sizes: tuple[int, ...]) -> str:
    if math.isinf(value):
        return f"over {sizes[-1]}"
    return f"{sizes[0]} or fewer" if value <= sizes[0] else f"{value:.0f}"


def sizes_said(values: Floats, sizes: tuple[int, ...]) -> str:
    """Tanks until something is learned: the middle club, and the range of all.

    Parameters
    ----------
    values : ndarray, shape (C,)
    sizes : tuple of int
        That were tried.
    """
    centre, least, most = middle(values)
    if math.isinf(least):
        return f"**not within {sizes[-1]}**"
    if math.isinf(centre):
        return f"**not within {sizes[-1]}** (one club from {_size(least, sizes)})"
    if least == most:
        return _size(centre, sizes)
    ends = f"{_size(least, sizes)} to {_size(most, sizes)}"
    return f"{_size(centre, sizes)} ({ends})"


def _median(found: Contracted, point: Point, *keys: str) -> float:
    return float(np.median(found.at[point][found.members(*keys)]))


def answers(found: Contracted) -> str:
    """Tanks until each question is answered."""
    usual, last = found.usual_weight, found.sizes[-1]
    lines = [
        "| what about | tanks until half is learned | until nine tenths is "
        f"| contraction at {last} tanks | half, at weight 1 | nine tenths, at weight 1 |",
        "|---|---|---|---|---|---|",
    ]
    for words, keys in QUESTIONS:
        cells = [
            sizes_said(found.group_at(keys, weight, LEARNED, share), found.sizes)
            for weight in (usual, 1.0)
            for share in (HALF, MOST)
        ]
        cells.insert(2, f"{_median(found, Point(last, found.weeks), *keys):.2f}")
        lines.append(f"| {words} ({len(found.members(*keys))}) | {' | '.join(cells)} |")
    return "\n".join(lines)


def unlearned(found: Contracted, weight: float, threshold: float) -> tuple[str, ...]:
    """Parameters that the middle club does not learn at any size, judges left out."""
    sizes = found.learned_at(weight, threshold)
    return tuple(
        name
        for name, row in zip(found.names, sizes, strict=True)
        if math.isinf(middle(row)[0]) and group_of(name).key != "judges"
    )


def by_group(names: tuple[str, ...], found: Contracted) -> str:
    """Parameters as a list, by group."""
    lines = []
    for group in GROUPS:
        own = [n for n in names if group_of(n).key == group.key]
        total = len(found.members(group.key))
        if not own:
            continue
        left = [n for n in found.names if group_of(n).key == group.key and n not in own]
        # Whichever list is short is written out.
        which = "all" if not left else ", ".join(f"`{n}`" for n in own)
        if left and len(own) > NAMED:
            which = "all but " + ", ".join(f"`{n}`" for n in left)
            which = which if len(left) <= NAMED else "see the tables below"
        lines.append(f"- {group.words}: {len(own)} of {total} ({which})")
    return "\n".join(lines) or "- none"


def groups_table(found: Contracted) -> str:
    """Tanks until half of each group is learned, by threshold."""
    lines = [
        "| | " + " | ".join(f"{t:g}" for t in THRESHOLDS) + f" | {LEARNED:g} at weight 1 "
        "| if it went on likewise |",
        "|---|" + "---|" * (len(THRESHOLDS) + 2),
    ]
    last = found.sizes[-1]
    for group in GROUPS:
        if group.key == "judges":
            continue
        wanted = [(found.usual_weight, t) for t in THRESHOLDS] + [(1.0, LEARNED)]
        sizes = [found.group_at((group.key,), w, t, HALF) for w, t in wanted]
        cells = [sizes_said(s, found.sizes) for s in sizes]
        reached = not math.isinf(middle(sizes[THRESHOLDS.index(LEARNED)])[0])
        there = _median(found, Point(last, found.weeks), group.key)
        far = extrapolated(last, there, LEARNED)
        more = f"about {float(f'{far:.2g}'):g} tanks" if there >= LEAST else "far beyond"
        more = "" if reached else more
        lines.append(
            f"| {group.words} ({len(found.members(group.key))}) | {' | '.join(cells)} | {more} |"
        )
    return "\n".join(lines)


def spans_table(found: Contracted) -> str:
    """Median contraction of each group by weeks, at the same tanks."""
    usual = [p for p in found.at if p.weight == found.usual_weight and not p.judged]
    counts = [p.tanks for p in usual if p.weeks != found.weeks]
    if not counts:
        return "No other numbers of weeks were tried."
    tanks = counts[0]
    points = sorted((p for p in usual if p.tanks == tanks), key=lambda p: p.weeks)
    double = Point(2 * tanks, found.weeks)
    points += [double] if double in found.at else []
    lines = [
        "| | " + " | ".join(f"{p.tanks} tanks, {p.weeks} weeks" for p in points) + " |",
        "|---|" + "---|" * len(points),
    ]
    for group in GROUPS:
        if group.key != "judges":
            cells = (f"{_median(found, p, group.key):.2f}" for p in points)
            lines.append(f"| {group.words} | {' | '.join(cells)} |")
    if len(points) < 2 or points[-1] != double:
        return "\n".join(lines)
    longest = points[-2]
    gain = {
        g.words: _median(found, longest, g.key) - _median(found, double, g.key)
        for g in GROUPS
        if g.key != "judges"
    }
    longer = ", ".join(w for w, d in gain.items() if d > DIFFERENCE) or "nothing"
    more = ", ".join(w for w, d in gain.items() if d < -DIFFERENCE) or "nothing"
    lines.append(
        f"\n{longest.tanks} tanks for {longest.weeks} weeks make "
        f"{longest.tanks * longest.weeks} tank-weeks, {double.tanks} tanks for {double.weeks} "
        f"weeks {double.tanks * double.weeks}. By more than {DIFFERENCE:g}, longer logs tell more "
        f"about: {longer}; more tanks tell more about: {more}."
    )
    return "\n".join(lines)


def judged_table(found: Contracted) -> str:
    """Median contraction of each group with and without judges."""
    points = [p for p in found.at if p.judged]
    if not points:
        return "No club was judged."
    lines = [
        "| | " + " | ".join(f"{p.tanks} tanks | judged" for p in points) + " |",
        "|---|" + "---|---|" * len(points),
    ]
    for group in GROUPS:
        cells = [
            f"{_median(found, p._replace(judged=j), group.key):.2f}"
            for p in points
            for j in (False, True)
        ]
        lines.append(f"| {group.words} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _cell(found: Contracted, learned_at: Floats, name: str) -> str:
    if name not in found.names:
        return ""
    q = found.names.index(name)
    size = middle(learned_at[q])[0]
    last = found.at[Point(found.sizes[-1], found.weeks)][q]
    return f"– ({np.median(last):.2f})" if math.isinf(size) else _size(size, found.sizes)


def _matrix(found: Contracted, rows: list[str], columns: list[tuple[str, str]], head: str) -> str:
    """Tanks until learned; ``columns`` are headings and patterns with ``{}`` for the row."""
    learned_at = found.learned_at(found.usual_weight, LEARNED)
    lines = [
        f"| {head} | " + " | ".join(words for words, _ in columns) + " |",
        "|---|" + "---|" * len(columns),
    ]
    for row in rows:
        cells = (_cell(found, learned_at, pattern.format(row)) for _, pattern in columns)
        lines.append(f"| {row.replace('_', ' ')} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _labels(found: Contracted, start: str) -> list[str]:
    # First labels of the parameters of one name, in order.
    names = (n for n in found.names if n.startswith(f"{start}["))
    return list(dict.fromkeys(n[len(start) + 1 : -1].split(", ")[0] for n in names))


def parameters(found: Contracted) -> str:
    """Tanks until each parameter is learned, in a table for each kind."""
    phases = [n.split(", ")[1][:-1] for n in found.names if n.startswith("sign_logit[")]
    phases = list(dict.fromkeys(phases))
    signs, kits = _labels(found, "sign_logit"), _labels(found, "reading_mean")
    moves = [
        ("stages passed", "log_advance[{}]"),
        ("set back", "log_setback[{}]"),
        # One baseline for all phases, named after the first that can collapse.
        ("collapse", "log_collapse[{}]"),
        ("live rock", "husbandry[live_rock, {}]"),
        ("water changed", "husbandry[water_changed, {}]"),
    ]
    events = [
        (words, f"event_{key}[{{}}]")
        for words, key in (
            ("on ripening", "advance"),
            ("on setbacks", "setback"),
            ("on collapses", "collapse"),
            ("how long", "memory"),
        )
    ]
    by_phase = [(p, f"sign_logit[{{}}, {p}]") for p in phases]
    kit = [(f"{p}: level", f"reading_mean[{{}}, {p}]") for p in phases]
    kit += [(f"{p}: noise", f"reading_sd[{{}}, {p}]") for p in phases]
    alone = ("pace_sd", "skill_sd", "outlier")
    rest = [(n, "{}") for n in alone]
    learned_at = found.learned_at(found.usual_weight, LEARNED)
    singles = ", ".join(f"`{n}` {_cell(found, learned_at, n)}" for n, _ in rest)
    looks = ", ".join(
        f"`look_effect[{n}]` {_cell(found, learned_at, f'look_effect[{n}]')}"
        for n in _labels(found, "look_effect")
    )
    tables = (
        _matrix(found, phases, moves, "phase"),
        _matrix(found, _labels(found, "event_memory"), events, "event"),
        _matrix(found, signs, [*by_phase, ("persistence", "persistence[{}]")], "sign"),
        _matrix(found, kits, [*kit, ("carry-over", "carry[{}]")], "kit"),
    )
    return "\n\n".join((*tables, f"Others: {singles}, {looks}."))


def doubling(found: Contracted) -> str:
    """How well the rule of extrapolation foretells the largest size, in words."""
    half, last = found.sizes[-2:] if len(found.sizes) > 1 else (found.sizes[0],) * 2
    a, b = (found.at[Point(n, found.weeks)] for n in (half, last))
    told = last * a / (last * a + half * (1 - a))
    keep = [i for i, n in enumerate(found.names) if group_of(n).key != "judges"]
    off = (told - b)[keep]
    return (
        f"from {half} tanks that rule foretells contraction at {last} with an error of "
        f"{np.abs(off).mean():.3f} on average, {'too high' if off.mean() > 0 else 'too low'} by "
        f"{abs(off.mean()):.3f}"
    )


def truth_table(found: Contracted) -> str:
    """Squared error of each group by size, beside what the posterior says of it."""
    lines = [
        "| | weight | "
        + " | ".join(f"{n} tanks" for n in found.sizes)
        + f" | too high at {found.sizes[-1]} |",
        "|---|---|" + "---|" * (len(found.sizes) + 1),
    ]
    for group in _judged_by_truth(found):
        at = found.members(group.key)
        for weight in (found.usual_weight, 1.0):
            off, left = found.off_by_size(weight)[:, at], 1 - found.by_size(weight)[:, at]
            cells = [
                f"{a:.2f} / {b:.2f}"
                for a, b in zip((off**2).mean(axis=(1, 2)), left.mean(axis=(1, 2)), strict=True)
            ]
            cells.append(f"{off[-1].mean():+.2f}")
            lines.append(f"| {group.words} ({len(at)}) | {weight:g} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _judged_by_truth(found: Contracted) -> list[Group]:
    return [g for g in GROUPS if g.key != "judges" and len(found.members(g.key)) >= FEW]


def misled(found: Contracted, weight: float) -> list[str]:
    """Groups whose error at the largest size is larger than the posterior says, in words."""
    out = []
    for group in _judged_by_truth(found):
        at = found.members(group.key)
        off, left = found.off_by_size(weight)[-1, at], 1 - found.by_size(weight)[-1, at]
        ratio = float((off**2).mean() / left.mean())
        # What chance makes of as many independent squares.
        if ratio <= max(WRONG, 1 + CHANCE * math.sqrt(2 / off.size)):
            continue
        bias = float(off.mean())
        side = f", too {'high' if bias > 0 else 'low'} by {abs(bias):.1f} prior sds on average"
        side = side if abs(bias) > BIASED else ""
        out.append(f"{group.words}: squared error {ratio:.1f} times as large{side}")
    return out


def truth_said(found: Contracted) -> str:
    """Squared error in variances of the posterior, by evidence weight, in words."""
    at = [i for i, n in enumerate(found.names) if group_of(n).key != "judges"]
    said = []
    for weight in (found.usual_weight, 1.0):
        ratio = (found.off_by_size(weight) ** 2 / (1 - found.by_size(weight)))[:, at]
        by_club = ratio.mean(axis=(0, 1))
        error = by_club.std(ddof=1) / np.sqrt(found.clubs) if found.clubs > 1 else np.nan
        ends = "" if np.isnan(error) else f" ± {error:.2f}"
        said.append(f"{by_club.mean():.2f}{ends} at evidence weight {weight:g}")
    return " and ".join(said)
