"""What a validation found, in words and tables; every number comes from the results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np

from maturity_model.lab.validation.cases import Case, Settings
from maturity_model.lab.validation.cases import cases as every_case
from maturity_model.lab.validation.figures import JUDGES
from maturity_model.lab.validation.holds import Group, Hold, group, pooled
from maturity_model.lab.validation.maturing import coverage
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.slips import EXCUSED, FOLLOWED
from maturity_model.lab.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.sums import RESAMPLED, brier, overconfidence, sharpness

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
    """Every case, and those of each ecology together."""
    out = {c.name: group(c.name, [results[c.name]]) for c in cases}
    return out | {
        name: group(name, [results[c.name] for c in own]) for name, own in pooled(cases).items()
    }


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
            f"world’s range of parameters it lies; in the model’s own world {s.own_tanks} tanks "
            f"in {s.own_clubs} clubs; where an assumption is broken half as many tanks. Seed "
            f"{s.seed}. What is stated of a week rests on the log up to that week."
        ),
        text(
            "Besides the model’s own world there are three ecologies, each written without sight "
            "of the others: the mechanistic one, microcosm and mesocosm. The default "
            "population’s numbers were weighed with the first two, on other seeds; mesocosm was "
            "never used for that. Assumptions are broken in the mechanistic one only, and in the "
            "model’s own world."
        ),
        text(
            f"The baselines, and the ceiling, were taught with the true phases of {s.training} "
            "other tanks of the same clubs: more than any keeper has. Age "
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
    if left := [c.name for c in every_case() if c.name not in weights]:
        blocks.append(text(f"NOT RUN: {', '.join(left)}. Nothing is known of them here."))
    if fits:
        blocks += [
            text(
                f"Pooled fits: on {s.fit_tanks} further tanks of the same clubs, "
                f"{s.fit_chains} chains of {s.fit_draws} draws after {s.fit_tune} of tuning. "
                "Their checks:"
            ),
            bullets(fits),
        ]
    return Section("What was tried", tuple(blocks))
