"""All the numbers behind a tank's page, on the published likelihood scale, and their basis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from maturity_model.report.likelihood_words import (
    no_risk_words,
    slip_words,
    statement,
)
from maturity_model.report.plain_text import cut
from maturity_model.report.views.answer_tables import answer_tables
from maturity_model.report.views.provenance import Pair, provenance_pairs
from maturity_model.report.views.tables import (
    Table,
    history_table,
    reading_tables,
    sign_table,
    tenths,
    with_range,
)
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment


def researcher_pairs(
    tank: TankAssessment, assessment: Assessment, labels: tuple[str, ...], command: str
) -> tuple[Pair, ...]:
    """Terms and values: the answer in full, and what keeps it from being surer."""
    return (
        *_answer(tank, assessment, labels),
        *_course(tank),
        *_reach(tank),
        ("Reweighting", reweighting_words(tank)),
        ("Effective draws", f"{tank.reweighting.ess:.0f} of {tank.reweighting.draws}"),
        *provenance_pairs(assessment.provenance, command),
    )


def _answer(
    tank: TankAssessment, assessment: Assessment, labels: tuple[str, ...]
) -> Iterator[Pair]:
    yield "Phase", statement(tank, labels, assessment.provenance)
    if why := no_risk_words(tank, labels[0]):
        yield "Slipping back", f"{why}."
        return
    chances = (tank.regression[-1], tank.regression_low, tank.regression_high)
    for weeks, *chance in zip(tank.horizons, *(c.tolist() for c in chances), strict=True):
        words = f"{slip_words(*chance)}; no event, husbandry as it stands"
        yield f"Slip within {plural(weeks, 'week')}", words
    slipped = [
        f"week {week} ({tenths(p)} %)"
        for week, p in zip(tank.weeks.tolist(), tank.slipped.tolist(), strict=True)
        if p >= 0.33
    ]
    if slipped:
        yield "Looking back, slipped in", ", ".join(slipped[-12:])


def _course(tank: TankAssessment) -> Iterator[Pair]:
    course = tank.course
    if course is None:
        return
    if course.before is not None and course.later is not None and course.earlier is not None:
        yield (
            f"Since the look of {course.before}",
            f"in a later phase now {tenths(course.later)} %, in an earlier one "
            f"{tenths(course.earlier)} %, given the whole log",
        )
    yield (
        "Blur since the last look",
        f"{course.blur:.3f}, total variation between the answer of {course.newest} and now",
    )


def _reach(tank: TankAssessment) -> Iterator[Pair]:
    reach, start = tank.reach, tank.tank.started
    rock = f"{tank.tank.rock} rock" if tank.tank.rock else "rock not logged"
    again = "again " if tank.tank.earlier_start else ""
    week = int(tank.weeks[-1])
    yield "Started", f"{again}{start} ({cut(rock, 60)}), now in week {week}"
    empty = reach.weeks - reach.weeks_with_checkin
    last = f"; the last check-in on {reach.last_checkin}" if reach.last_checkin else ""
    yield "Weeks without check-in", f"{empty} of {reach.weeks}{last}"
    yield (
        "Signs checked",
        f"{tenths(reach.share_signs_checked)} % of the answers that the check-ins could have held; "
        "a blank is taken to say nothing about what would have been seen",
    )
    yield "Readings", str(reach.readings)


def reweighting_words(tank: TankAssessment) -> str:
    """How the population's draws were reweighted, and whether that could be trusted."""
    rw = tank.reweighting
    if rw.share >= 1.0:
        return (
            "The population’s draws were reweighted by all of this tank’s likelihood "
            f"(Pareto k̂ {rw.khat:.2f}, reliable below {rw.limit:.2f})."
        )
    plain = (
        f"The plain weights were unreliable (Pareto k̂ {rw.khat_full:.2f}, above the limit "
        f"{rw.limit:.2f})"
    )
    if rw.share <= 0.0:
        return (
            f"{plain}, so the draws were not reweighted at all: this tank did not teach the "
            "population’s numbers anything."
        )
    return (
        f"{plain}, so only {tenths(rw.share)} % of this tank’s likelihood was used to reweight "
        f"the population’s draws (k̂ then {rw.khat:.2f})."
    )


def researcher_tables(
    tank: TankAssessment, assessment: Assessment, labels: Sequence[str]
) -> tuple[Table, ...]:
    """Every number of the page."""
    catalogue = assessment.catalogue
    return (
        _phases(tank, labels),
        *answer_tables(tank, assessment, labels),
        history_table(tank, catalogue, labels),
        sign_table(tank, catalogue),
        *reading_tables(tank, catalogue),
    )


def _phases(tank: TankAssessment, labels: Sequence[str]) -> Table:
    now, low, high = (x.tolist() for x in (tank.filtered[-1], tank.now_low, tank.now_high))
    before = tank.filtered[-2] if len(tank.weeks) > 1 else None
    met = tank.course.just_before if tank.course else None
    return Table(
        "Probability of each phase in percent, 5 % to 95 % of draws in brackets. Before: at the "
        "end of last week. Met: what the newest look met. By age: rock, events and husbandry alone",
        ("Phase", "Now", "Before", "Met", "By age"),
        tuple(
            (
                label,
                with_range(now[k], low[k], high[k]),
                "" if before is None else tenths(float(before[k])),
                "" if met is None else tenths(float(met[k])),
                tenths(float(tank.forecast_only[-1, k])),
            )
            for k, label in enumerate(labels)
        ),
    )
