"""What a validation found, in words and tables; every number comes from the results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

import numpy as np

from maturity_model.validation.cases import Case, Settings
from maturity_model.validation.figures import JUDGES
from maturity_model.validation.holds import EVERY, Group, Hold, group
from maturity_model.validation.judges import BASELINES
from maturity_model.validation.maturing import coverage
from maturity_model.validation.results import CaseResult
from maturity_model.validation.slips import EXCUSED, FOLLOWED
from maturity_model.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.validation.sums import AGES, RESAMPLED, brier, overconfidence, sharpness

#: Evidence whose absence gains so much log score misleads.
MISLEADS = 0.01
#: A calibration error above this is called out.
LARGE_ERROR = 0.05
#: Fewer weeks or answers than this tell too little to be called out.
ENOUGH = 100
#: A share of answers so far from what the population expects is called out.
FAR = 0.15

Results = Mapping[str, CaseResult]


class Block(NamedTuple):
    """A piece of a page.

    Attributes
    ----------
    kind : {'text', 'list', 'table', 'figure'}
    title : str
        Caption of a table, or what a figure shows.
    head : tuple of str
        Of a table.
    rows : tuple of tuple of str
        Cells of a table; items of a list; one text; or a figure's file.
    """

    kind: Literal["text", "list", "table", "figure"]
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class Section(NamedTuple):
    """A heading and what stands below it."""

    title: str
    blocks: tuple[Block, ...]


def text(words: str) -> Block:
    """A paragraph."""
    return Block("text", "", (), ((words,),))


def bullets(items: Sequence[str]) -> Block:
    """A list; without items it says 'none'."""
    return Block("list", "", (), tuple((i,) for i in items) or (("none",),))


def table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> Block:
    """A table."""
    return Block("table", title, tuple(head), tuple(tuple(r) for r in rows))


def figure(file: str, title: str) -> Block:
    """A figure's file."""
    return Block("figure", title, (), ((file,),))


def number(x: float, digits: int = 3) -> str:
    """A number, or a dash."""
    return f"{x:.{digits}f}" if np.isfinite(x) else "–"


def between(ends: tuple[float, float], digits: int = 3) -> str:
    """An interval in brackets."""
    return f"({number(ends[0], digits)} to {number(ends[1], digits)})"


def groups_of(cases: Sequence[Case], results: Results) -> dict[str, Group]:
    """Every case, and the mechanistic ones together."""
    out = {c.name: group(c.name, [results[c.name]]) for c in cases}
    several = [results[c.name] for c in cases if c.group == "mechanistic"]
    return out | ({EVERY: group(EVERY, several)} if len(several) > 1 else {})


def must_hold(found: Sequence[Hold]) -> Section:
    """The verdicts, misses first and loud."""
    missed = [h for h in found if h.met is False]
    unknown = [h for h in found if h.met is None]
    blocks = []
    if missed:
        blocks.append(text(f"MISSED: {len(missed)} of {len(found) - len(unknown)} that were run."))
        blocks.append(
            bullets(
                [
                    f"MISSED: {h.case}: {h.what}: {number(h.value)} {between(h.interval)}, "
                    f"wanted {h.wanted}"
                    for h in missed
                ]
            )
        )
    else:
        blocks.append(text(f"All {len(found) - len(unknown)} that were run are met."))
    if unknown:
        blocks.append(
            text(f"Not known: {len(unknown)}, because nothing was fitted or too few were followed.")
        )
    rows = [
        [h.case, h.what, h.wanted, number(h.value), between(h.interval), h.verdict] for h in found
    ]
    head = ["case", "what", "wanted", "found", "5 % to 95 %", "verdict"]
    blocks.append(table("What must hold", head, rows))
    return Section("What must hold", tuple(blocks))


def score_section(groups: Mapping[str, Group]) -> Section:
    """Log score, Brier score, calibration and sharpness of every judge."""
    rows = []
    for name, found in groups.items():
        for judge, s in found.sums.items():
            error, ends = found.error(judge)
            way, way_ends = found.way(judge)
            shown = judge not in ("age", CEILING)
            rows.append(
                [
                    name, JUDGES[judge][0], number(found.score(judge)), number(brier(s)),
                    f"{number(error)} {between(ends)}", f"{overconfidence(s):+.3f}",
                    number(sharpness(s), 2),
                    f"{number(way, 2)} {between(way_ends, 2)}" if shown else "",
                ]
            )  # fmt: skip
    head = ["case", "judge", "log score", "Brier", "calibration error", "over-sure by",
            "entropy", "share of the way"]  # fmt: skip
    return Section(
        "Scores",
        (
            text(
                "Log score: mean log probability of the true phase, 0 is perfect. Brier: mean "
                "squared distance, 0 is perfect. Calibration error: over all phases in 15 equal "
                "bins. Over-sure by: mean of what is stated less what comes true, where more than "
                "half is stated. Entropy: how sharp the statements are, 0 is certainty. Share of "
                "the way: of the log score from age alone (0) to the ceiling (1)."
            ),
            figure("scores.svg", "Log score of every judge in every case"),
            table("Scores", head, rows),
        ),
    )


def calibration_section(cases: Sequence[Case]) -> Section:
    """The curves."""
    blocks = [
        figure(f"calibration-{c.name}.svg", f"{c.title}: observed against stated") for c in cases
    ]
    blocks += [figure(f"age-{c.name}.svg", f"{c.title}: log score by age") for c in cases]
    return Section("Calibration, and scores by age", tuple(blocks))


def maturing_section(cases: Sequence[Case], results: Results) -> Section:
    """Coverage of the time to mature."""
    rows = []
    for case in cases:
        result = results[case.name]
        for judge, quiet in result.matured_quiet.items():
            whole = result.matured[judge]
            row = [case.name, JUDGES[judge][0]]
            for found in (quiet, whole):
                row += [
                    f"{100 * found.censored.mean():.0f} %" if len(found.censored) else "–",
                    number(coverage(found, 0.5), 2), number(coverage(found, 0.9), 2),
                ]  # fmt: skip
            rows.append([*row, number(float(whole.width.mean()), 0) if len(whole.width) else "–"])
    head = ["case", "judge", "censored", "50 %", "90 %", "censored", "50 %", "90 %",
            "mean width, weeks"]  # fmt: skip
    return Section(
        "Time to mature",
        (
            text(
                "How often the central 50 % and 90 % intervals hold the truth. First three "
                "columns: each tank followed until its next recorded event, since the statement "
                "leaves further events out; then: followed to the end, events and all, as a "
                "keeper would live it. Tanks that had not matured by then are censored "
                "(Kaplan-Meier, on the scale of the stated distribution); a dash: too few were "
                "followed far enough. A printed interval, in whole weeks, holds more."
            ),
            table("Coverage", head, rows),
        ),
    )


def slip_section(cases: Sequence[Case], results: Results) -> Section:
    """Slips back: noticed, how soon, and for nothing; and the stated risk."""
    rows = []
    ways = {"phase": "likeliest phase falls", "slipped": "expected slips", "alarm": "alarm"}
    for case in cases:
        for (judge, way), n in results[case.name].noticed.items():
            years = float(n.weeks.sum()) * 7 / 365.25
            if judge != TOOL or not years:
                continue
            seen, slips = n.noticed.sum(), n.slips.sum()
            rows.append(
                [
                    case.name, ways[way], f"{seen:.0f} of {slips:.0f}",
                    number(float(n.delay.sum() / seen), 1) if seen else "–",
                    number(float(n.false.sum()) / years, 2), number(years, 0),
                ]
            )  # fmt: skip
    risks = []
    for case in cases:
        for (judge, horizon), each in results[case.name].risk.items():
            total = each.sum(axis=0)
            weeks = total[0].sum()
            if judge == TOOL and weeks:
                skill = 1 - total[3].sum() / max(total[4].sum(), 1e-12)
                risks.append(
                    [case.name, str(horizon), f"{weeks:.0f}",
                     f"{100 * total[1].sum() / weeks:.2f} %",
                     f"{100 * total[2].sum() / weeks:.2f} %", f"{skill:+.3f}"]
                )  # fmt: skip
    return Section(
        "Slipping back",
        (
            text(
                f"Noticed within {FOLLOWED} weeks, mean delay in weeks (0 is the week of the "
                "slip), and false alarms per tank-year: alarms with no slip in that week or the "
                f"{EXCUSED} before. Three ways of noticing: the most probable phase falls below "
                "that of both weeks before; the expected slips of three weeks reach the limit of "
                "the page; a check-in says that something is wrong."
            ),
            table(
                "Slips that were noticed",
                ["case", "way", "noticed", "delay", "false per tank-year", "tank-years"],
                rows,
            ),
            text("The stated risk, in weeks whose next ones hold no recorded event."),
            table(
                "Risk of slipping back",
                ["case", "weeks ahead", "tank-weeks", "stated", "came true", "skill against age"],
                risks,
            ),
        ),
    )


def _of(rows: Sequence[Mapping[str, Any]], kind: str) -> list[Mapping[str, Any]]:
    return [r for r in rows if r["kind"] == kind]


def causes_section(cases: Sequence[Case], results: Results) -> Section:
    """Which evidence helps and which misleads, by leaving it out; and what is not as believed."""
    blocks: list[Block] = [
        text(
            "With the truth known, what misleads can be found. Log score at other evidence "
            "weights, and with one kind of evidence left out (positive: it is better without), "
            "on some of the tanks and fewer draws; then where answers, readings and times in a "
            "phase differ from what the population expects. Nothing here was used to change the "
            "program."
        )
    ]
    for case in cases:
        rows = results[case.name].diagnosis
        if not rows:
            continue
        whole = _of(rows, "without")[0]["log_score"]
        weights = [[f"ω = {r['item']}", number(r["log_score"]), number(r["ece"]),
                    f"{r['overconfidence']:+.3f}"] for r in _of(rows, "weight")]  # fmt: skip
        blocks.append(
            table(f"{case.title}: evidence weights",
                  ["weight", "log score", "calibration error", "over-sure by"], weights)
        )  # fmt: skip
        less = sorted(_of(rows, "without")[1:], key=lambda r: float(r["log_score"]), reverse=True)
        spread = {r["item"]: f"{r['ratio']:.1f}" for r in _of(rows, "spread")}
        blocks.append(
            table(
                f"{case.title}: with evidence left out",
                ["left out", "log score gained", "calibration error", "tanks differ by"],
                [[str(r["item"]), f"{r['log_score'] - whole:+.3f}", number(r["ece"]),
                  spread.get(r["item"], "")] for r in less],
            )
        )  # fmt: skip
        off = [
            f"{r['item']} in {r['phase']}: seen at {100 * r['observed']:.0f} % of looks, expected "
            f"{100 * r['expected']:.0f} % ({r['n']} looks)"
            for r in _of(rows, "sign")
            if abs(r["observed"] - r["expected"]) > FAR and r["n"] >= ENOUGH
        ]
        off += [
            f"{r['item']} in {r['phase']}: mean log level {r['observed']:.2f}, expected "
            f"{r['expected']:.2f} (spread {r['expected_sd']:.2f}; {r['n']} readings)"
            for r in _of(rows, "reading")
            if abs(r["observed"] - r["expected"]) > r["expected_sd"] and r["n"] >= ENOUGH
        ]
        off += [
            f"{r['item']} lasts {r['observed']:.1f} weeks where it was left ({r['n']} tanks, "
            f"{r['open']} more fell back or stayed), expected {r['expected']:.1f}"
            for r in _of(rows, "dwell")
            if r["n"] and not 0.75 < r["observed"] / r["expected"] < 1.33
        ]
        blocks += [text(f"{case.title}: not as the population expects."), bullets(off)]
    blocks.append(
        text(
            "Tanks differ by: the squared gap between seen and expected, summed over a tank, as a "
            "multiple of what independent looks would give. Far above 1, looks at one tank "
            "are no independent witnesses; where it is high in the model’s own world too, that is "
            "keepers’ skill and the clubs’ own parameters."
        )
    )
    return Section("Causes", tuple(blocks))


def doubts(cases: Sequence[Case], results: Results, groups: Mapping[str, Group],
           phases: Sequence[str], found: Sequence[Hold]) -> Section:  # fmt: skip
    """Where the tool should not be believed."""
    items = []
    for name, g in groups.items():
        error, ends = g.error(TOOL)
        if error > LARGE_ERROR:
            items.append(f"{name}: calibration error {number(error)} {between(ends)}")
        items += [
            f"{name}: no better than {JUDGES[b][0]}: {gain:+.3f} {between(ends)}"
            for b in BASELINES
            for gain, ends in [g.gain(TOOL, b)]
            if not gain > 0
        ]
    for case in cases:
        s, age = results[case.name].sums[TOOL], results[case.name].sums["age"]
        weeks, log, _ = s.age.sum(axis=0)
        theirs = age.age.sum(axis=0)[1]
        for i, start in enumerate(AGES):
            if weeks[i] >= ENOUGH and log[i] < theirs[i]:
                end = f"{AGES[i + 1] - 1}" if i + 1 < len(AGES) else "the end"
                items.append(
                    f"{case.name}: weeks {start} to {end}: {log[i] / weeks[i]:.2f}, age alone "
                    f"{theirs[i] / weeks[i]:.2f}"
                )
        number_, stated, observed = s.bins.sum(axis=(0, 3))
        for k, phase in enumerate(phases):
            gap = (stated[k] - observed[k]) / number_[k]
            if abs(gap) > LARGE_ERROR:
                items.append(
                    f"{case.name}: {phase} is stated {'too often' if gap > 0 else 'too seldom'}: "
                    f"{100 * stated[k] / number_[k]:.0f} % of weeks, true in "
                    f"{100 * observed[k] / number_[k]:.0f} %"
                )
        rows = results[case.name].diagnosis
        if rows:
            whole = _of(rows, "without")[0]["log_score"]
            items += [
                f"{case.name}: {r['item']} mislead: without them the log score is "
                f"{r['log_score'] - whole:+.3f}"
                for r in _of(rows, "without")[1:]
                if r["log_score"] - whole > MISLEADS
            ]
    return Section(
        "Where the tool should not be believed",
        (
            text(
                "Everything above is simulated. That a world was written by hands other than the "
                "model’s makes it harder, not real: no tank here ever lived. Found in these runs:"
            ),
            bullets(items),
        ),
    )


def tried(cases: Sequence[Case], settings: Settings, results: Results, unit: str) -> Section:
    """What was run."""
    s = settings
    weights = {c.name: results[c.name].notes.get("evidence_weight", "") for c in cases}
    fits = [f"{c.name}, {judge}: {results[c.name].notes[judge]}" for c in cases
            for judge in (FITTED, FITTED_JUDGED) if judge in results[c.name].notes]  # fmt: skip
    rows = [[c.name, c.title, weights[c.name], results[c.name].notes.get("ceiling", "")]
            for c in cases]  # fmt: skip
    blocks = [
        text(
            f"{s.tanks} tanks in each case, {s.weeks} weeks of each, followed for {s.after} more; "
            f"in {s.clubs} clubs, each with a seed of its own, which also decides where in the "
            f"world’s range of parameters it lies. Seed {s.seed}. What is stated of a week rests "
            "on the log up to that week."
        ),
        text(
            f"The baselines, and the ceiling, were taught with the true phases of {s.training} "
            "further tanks of the same case, in other clubs: more than any keeper has. Age "
            "alone: frequency of the phases by week and rock. Readings rule: by whether ammonia "
            "and nitrite were found, not found, or not measured lately. Checklist count: by the "
            "number of favourable signs seen lately. Plain HMM: Gaussian emissions, no "
            "persistence, no censoring, fitted without labels, its states then given their "
            "phases. Ceiling: gradient-boosted trees on signs, their decaying balances, readings, "
            "age, rock, husbandry and time since events, calibrated on tanks left out."
        ),
        text(
            f"In brackets: 5 % and 95 % points of {RESAMPLED} resamplings of whole {unit}s; judges "
            "are compared on the same weeks."
        ),
        table("Cases", ["case", "world", "evidence weight", "ceiling"], rows),
    ]
    if fits:
        blocks += [
            text(
                f"Pooled fits: on {s.fit_tanks} further tanks of each mechanistic case, "
                f"{s.fit_chains} chains of {s.fit_draws} draws. Their checks:"
            ),
            bullets(fits),
        ]
    return Section("What was tried", tuple(blocks))


def sections(
    cases: Sequence[Case],
    settings: Settings,
    results: Results,
    phases: Sequence[str],
    found: Sequence[Hold],
) -> tuple[Section, ...]:
    """All of the page."""
    groups = groups_of(cases, results)
    return (
        must_hold(found),
        tried(cases, settings, results, next(iter(groups.values())).unit),
        score_section(groups),
        calibration_section(cases),
        maturing_section(cases, results),
        slip_section(cases, results),
        causes_section(cases, results),
        doubts(cases, results, groups, phases, found),
    )
