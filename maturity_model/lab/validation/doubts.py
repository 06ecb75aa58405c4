"""Why the program is wrong where it is, and where it should not be believed, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from maturity_model.lab.validation.cases import Case, Settings
from maturity_model.lab.validation.figures import JUDGES
from maturity_model.lab.validation.holds import Group, Hold
from maturity_model.lab.validation.judges import BASELINES
from maturity_model.lab.validation.study import TOOL
from maturity_model.lab.validation.sums import AGES
from maturity_model.lab.validation.words import (
    Block,
    Results,
    Section,
    between,
    bullets,
    calibration_section,
    groups_of,
    maturing_section,
    must_hold,
    number,
    score_section,
    slip_section,
    table,
    text,
    tried,
)

#: Evidence whose absence gains so much log score misleads.
MISLEADS = 0.01
#: A calibration error above this is called out.
LARGE_ERROR = 0.05
#: Fewer weeks or answers than this tell too little to be called out.
ENOUGH = 100
#: A share of answers so far from what the population expects is called out.
FAR = 0.15


def _of(rows: Sequence[Mapping[str, Any]], kind: str) -> list[Mapping[str, Any]]:
    return [r for r in rows if r["kind"] == kind]


def causes_section(cases: Sequence[Case], results: Results) -> Section:
    """Which evidence helps and which misleads, by leaving it out; and what is not as believed."""
    blocks: list[Block] = [
        text(
            "With the truth known, what misleads can be found. Log score at other evidence "
            "weights, and with one kind of evidence left out (positive: it is better without), "
            "on some of the tanks and fewer draws; then with the population’s means brought to "
            "what other tanks of this world show, one part at a time; then where answers, "
            "readings and times in a phase differ from what the population expects. Nothing here "
            "was used to change the program. Asked for in some cases only, because it is slow."
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
        blocks.append(
            table(
                f"{case.title}: brought to what other tanks of this world show",
                ["what", "log score gained", "calibration error", "over-sure by"],
                [[str(r["item"]), f"{r['log_score'] - whole:+.3f}", number(r["ece"]),
                  f"{r['overconfidence']:+.3f}"] for r in _of(rows, "corrected")],
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
           phases: Sequence[str]) -> Section:  # fmt: skip
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
                "model’s makes it harder, not real: no tank here ever lived. A tank’s page says "
                "when its log fits the model badly, which is a reason to trust it less; how often "
                "it does, with and without cause, is in reports/misfit. Found in these runs:"
            ),
            bullets(items),
        ),
    )


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
        doubts(cases, results, groups, phases),
    )
