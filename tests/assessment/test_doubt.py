"""Doubt never opens the gate of the permissions: whole logbooks, by hypothesis."""

from __future__ import annotations

from assessment.permission_logs import day, needs, tank_log
from hypothesis import given, settings
from hypothesis import strategies as st

from maturity_model.assessment.permissions import PERMISSIONS

AMMONIA = st.sampled_from(["", "0", "<0.25", "0.25", "0.5", "1", "4"])
NITRITE = st.sampled_from(["", "0", "<0.25", "0.25", "1"])
CHECKIN = st.tuples(
    st.integers(0, 75), st.sampled_from(["", "y", "n"]), AMMONIA, NITRITE,
    st.sampled_from(["", "0", "5"]), st.sampled_from(["", "8.0", "8.5"]),
    st.sampled_from(["", "25", "31"]),
)  # fmt: skip
EVENT = st.tuples(
    st.integers(0, 75),
    st.sampled_from(
        ["crash", "overfeeding", "deep_clean", "medication", "livestock_added", "water_change"]
    ),
)
ENDING = [(40, "n", "4", "0", "0", "", ""), (2, "y", "0", "0", "5", "", "")]
#: A high reading that a low one has followed, too soon or late enough.
SPIKE = [(5, "n", "4", "1", "0", "", ""), (3, "y", "0", "0", "5", "", "")]
FALLEN = [*SPIKE[:1], (2, "y", "0", "0", "5", "", "")]
#: Most of the logs end well, so that the gate is often open to begin with.
LOGS = st.tuples(
    st.lists(CHECKIN, max_size=5),
    st.lists(EVENT, max_size=2),
    st.sampled_from([[], ENDING, SPIKE, FALLEN]),
    st.booleans(),
)


def written(checkins: list[tuple[object, ...]]) -> list[str]:
    return [",".join(["Invented", day(int(c[0])), *map(str, c[1:])]) for c in checkins]  # type: ignore[call-overload]


def happened(events: list[tuple[int, str]]) -> list[str]:
    amount = {"overfeeding": "2", "livestock_added": "2", "water_change": "20"}
    return [
        f"Invented,{day(ago)},{kind},{amount.get(kind, '')},{i}"
        for i, (ago, kind) in enumerate(events)
    ]


@settings(max_examples=150, deadline=None)
@given(LOGS, st.data())
def test_doubt_never_opens_the_gate(logs: tuple[object, ...], data: st.DataObject) -> None:
    checkins, events, ending, old = logs
    rows = [*checkins, *ending]  # type: ignore[misc]
    if not old:
        # Nothing before its start.
        rows, events = ([x for x in these if x[0] <= 55] for these in (rows, events))  # type: ignore[attr-defined]
    started = "2025-01-01" if old else "2026-01-01"
    # One look a day, so that a row that is changed is the day.
    rows = list({r[0]: r for r in rows}.values())
    before = {
        p: needs(tank_log(written(rows), happened(events), started=started), p) for p in PERMISSIONS
    }  # type: ignore[arg-type]
    shut = {p for p in PERMISSIONS if before[p]}
    proof = "proof of work" in before["first animals"]
    lines, happenings = written(rows), happened(events)  # type: ignore[arg-type]
    change = data.draw(st.sampled_from(["refuse", "no readings", "no looks", "raise", "age"]))
    if change == "refuse" and lines + happenings:
        chosen = data.draw(st.sampled_from([x for x in (lines, happenings) if x]))
        at = data.draw(st.integers(0, len(chosen) - 1))
        cells = chosen[at].split(",")
        # The tank, the date, or what happened.
        cells[data.draw(st.sampled_from([0, 1] if chosen is lines else [0, 1, 2]))] = "??"
        chosen[at] = ",".join(cells)
    elif change == "no readings":
        # Good ones: without a high one, which may only have been the worst of them.
        low = ("", "0", "<0.25")
        rows = [(*r[:2], "", "", *r[4:]) if r[2] in low and r[3] in low else r for r in rows]
        lines = written(rows)
    elif change == "no looks":
        lines = written([(r[0], "", *r[2:]) if r[0] <= 14 else r for r in rows])
    elif change == "raise" and rows:
        k = data.draw(st.integers(0, len(rows) - 1))
        column, value = data.draw(st.sampled_from([(2, "4"), (2, "0.5"), (3, "1")]))
        steps = ["", "0", "<0.25", "0.25", "0.5", "1", "4"]
        r = list(rows[k])
        if r[column] and steps.index(r[column]) < steps.index(value):
            r[column] = value
        rows[k] = tuple(r)
        lines = written(rows)
    elif change == "age":
        by = data.draw(st.integers(1, 20))
        aged = [(r[0] + by, "", *r[2:]) for r in rows]
        looks = [(r[0], r[1], "", "", "", *r[5:]) for r in rows]
        lines = written([*looks, *(a for a in aged if started == "2025-01-01" or a[0] <= 58)])
    after = tank_log(lines, happenings, started=started)
    for permission in shut:
        got = needs(after, permission)
        # A raised reading may itself be what a proof of work begins with; nothing else of the
        # gate is opened by it.
        if change == "raise" and permission == "first animals" and proof:
            got = [*got, "proof of work"]
        assert got, (change, permission, before[permission])
