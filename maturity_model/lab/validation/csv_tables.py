"""All numbers of a run as CSV."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from maturity_model.lab.studies.scores import BINS
from maturity_model.lab.validation.cases import Case
from maturity_model.lab.validation.holds import OF_COVERAGE, Hold, group
from maturity_model.lab.validation.maturing import LEVELS, coverage, resampled_coverage
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.sums import AGES, brier, interval, overconfidence, sharpness
from maturity_model.report.files import csv_text

Results = Mapping[str, CaseResult]


def csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as text; nan and None are empty."""

    def cell(value: object) -> str:
        if value is None or (isinstance(value, float) and not np.isfinite(value)):
            return ""
        return f"{value:.5g}" if isinstance(value, float) else csv_text(str(value))

    return "\n".join([",".join(head), *(",".join(map(cell, row)) for row in rows)]) + "\n"


def scores(cases: Sequence[Case], results: Results) -> str:
    """Every judge in every case."""
    rows = []
    for case in cases:
        found = group(case.name, [results[case.name]])
        for judge, s in found.sums.items():
            low, high = interval(found.scores(judge))
            way, ends = found.way(judge)
            error, error_ends = found.error(judge)
            rows.append(
                [
                    case.name, judge, int(s.weeks.sum()), found.score(judge), low, high, brier(s),
                    error, *error_ends, overconfidence(s), sharpness(s), way, *ends,
                ]
            )  # fmt: skip
    head = (
        "case judge tank_weeks log_score log_score_low log_score_high brier calibration_error "
        "calibration_error_low calibration_error_high overconfidence entropy share_of_way "
        "share_of_way_low share_of_way_high"
    ).split()
    return csv(head, rows)


def by_phase(cases: Sequence[Case], results: Results, phases: Sequence[str]) -> str:
    """Log score in weeks truly of a phase, and Brier score of its probability in all weeks."""
    rows = []
    for case in cases:
        for judge, s in results[case.name].sums.items():
            weeks, log, error = s.phase.sum(axis=0)
            for k, phase in enumerate(phases):
                score = log[k] / weeks[k] if weeks[k] else float("nan")
                rows.append(
                    [case.name, judge, phase, int(weeks[k]), float(score),
                     float(error[k] / s.weeks.sum())]
                )  # fmt: skip
    return csv(["case", "judge", "phase", "true_weeks", "log_score", "brier"], rows)


def by_age(cases: Sequence[Case], results: Results) -> str:
    """Log and Brier score by band of age."""
    rows = []
    for case in cases:
        for judge, s in results[case.name].sums.items():
            for start, (weeks, log, error) in zip(AGES, s.age.sum(axis=0).T, strict=True):
                if weeks:
                    rows.append(
                        [case.name, judge, start, int(weeks), float(log / weeks),
                         float(error / weeks)]
                    )  # fmt: skip
    return csv(["case", "judge", "from_week", "tank_weeks", "log_score", "brier"], rows)


def reliability(cases: Sequence[Case], results: Results, phases: Sequence[str]) -> str:
    """Stated and observed by judge, phase and bin."""
    rows = []
    for case in cases:
        for judge, s in results[case.name].sums.items():
            number, stated, observed = s.bins.sum(axis=0)
            for k, phase in enumerate(phases):
                rows += [
                    [case.name, judge, phase, b, int(number[k, b]),
                     float(stated[k, b] / number[k, b]), float(observed[k, b] / number[k, b])]
                    for b in range(BINS)
                    if number[k, b]
                ]  # fmt: skip
    return csv(["case", "judge", "phase", "bin", "n", "stated", "observed"], rows)


def maturing(cases: Sequence[Case], results: Results) -> str:
    """Coverage of the time to mature."""
    rows = []
    for case in cases:
        result = results[case.name]
        times = group(case.name, [result]).times[:OF_COVERAGE]
        for followed, table in (("to the next event", result.matured_quiet),
                                ("to the end", result.matured)):  # fmt: skip
            for judge, found in table.items():
                known = found.printed[np.isfinite(found.printed)]
                row: list[object] = [case.name, judge, followed, len(found.position)]
                row.append(float(found.censored.mean()) if len(found.censored) else float("nan"))
                for level in LEVELS:
                    row += [coverage(found, level),
                            *interval(resampled_coverage(found, level, times))]  # fmt: skip
                row.append(float(known.mean()) if len(known) else float("nan"))
                row.append(float(found.width.mean()) if len(found.width) else float("nan"))
                rows.append(row)
    head = (
        "case judge followed questions censored coverage_50 coverage_50_low coverage_50_high "
        "coverage_90 coverage_90_low coverage_90_high printed_90_where_known mean_width_weeks"
    ).split()
    return csv(head, rows)


def slips(cases: Sequence[Case], results: Results) -> str:
    """Slips noticed, and false alarms."""
    rows = []
    for case in cases:
        for (judge, way), n in results[case.name].noticed.items():
            if n.weeks.sum() == 0:
                continue
            years = float(n.weeks.sum()) * 7 / 365.25
            seen, all_slips = float(n.noticed.sum()), float(n.slips.sum())
            rows.append(
                [
                    case.name, judge, way, int(all_slips), int(seen),
                    seen / all_slips if all_slips else float("nan"),
                    float(n.delay.sum()) / seen if seen else float("nan"),
                    int(n.false.sum()), years, float(n.false.sum()) / years,
                ]
            )  # fmt: skip
    head = (
        "case judge way slips noticed share_noticed mean_delay_weeks false_alarms tank_years "
        "false_alarms_per_tank_year"
    ).split()
    return csv(head, rows)


def risk(cases: Sequence[Case], results: Results) -> str:
    """Risk of slipping back: stated, observed, error, skill against age alone."""
    rows = []
    for case in cases:
        for (judge, horizon), each in results[case.name].risk.items():
            total = each.sum(axis=0)
            n = total[0].sum()
            if not n:
                continue
            parts = total[:3].reshape(3, BINS, -1).sum(axis=2)
            rows.append(
                [
                    case.name, judge, horizon, int(n), float(total[1].sum() / n),
                    float(total[2].sum() / n), float(np.abs(parts[1] - parts[2]).sum() / n),
                    float(total[3].sum() / n),
                    float(1 - total[3].sum() / total[4].sum()) if total[4].sum() else float("nan"),
                ]
            )  # fmt: skip
    head = (
        "case judge horizon_weeks tank_weeks stated observed calibration_error brier "
        "skill_against_age"
    ).split()
    return csv(head, rows)


def diagnosis(cases: Sequence[Case], results: Results) -> str:
    """What :mod:`.diagnosis` found."""
    head = (
        "case kind item phase n open observed observed_sd expected expected_sd ratio log_score "
        "ece overconfidence"
    ).split()
    rows = [
        [case.name, *(row.get(name) for name in head[1:])]
        for case in cases
        for row in results[case.name].diagnosis
    ]
    return csv(head, rows)


def holds(found: Sequence[Hold]) -> str:
    """What must hold."""
    rows = [[h.case, h.what, h.low, h.high, h.value, *h.interval, h.verdict] for h in found]
    return csv(["case", "what", "least", "most", "value", "low", "high", "verdict"], rows)
