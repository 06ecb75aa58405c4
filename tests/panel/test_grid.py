"""From a log to codes on a weekly grid."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_logs import START, day, look, make_log, random_log, reading

from maturity_model.catalogue import LOOKS, load_catalogue
from maturity_model.logbook import CheckIn, Event, Tank, read_logbook
from maturity_model.panel import BALANCE_LEVELS, Panel, balance_level, build_panel

DEMO = Path(__file__).parents[2] / "data" / "demo"


def tank(name: str = "a", start: int = 0, **more: object) -> Tank:
    return Tank(name, day(start), **{"keeper": "k", "rock": "dry"} | more)  # type: ignore[arg-type]


# -- grid and codes ----------------------------------------------------------------------


def test_rows_and_weeks_by_hand() -> None:
    panel = build_panel(
        make_log(
            [tank("a"), tank("b", 10)],
            [look(0), look(6), look(7), look(20), look(10, tank="b"), look(24, tank="b")],
        )
    )
    assert panel.as_of == day(24)
    assert not panel.as_of_given
    # a: days 0..24 are 4 weeks; b: days 10..24 are 3, the last one of one day.
    assert panel.first.tolist() == [0, 4, 7]
    assert panel.checked.tolist() == [True, True, True, False, True, False, True]
    assert panel.week_ends(0) == (day(6), day(13), day(20), day(24))
    assert panel.week_ends(1) == (day(16), day(23), day(24))


def test_sign_codes() -> None:
    panel = build_panel(
        make_log(
            [tank("a"), tank("b")],
            [
                look(0, "diatoms=y amphipods=n", look="glance"),
                look(0, "diatoms=y", tank="b", look="glance"),
                look(8, "diatoms=n", look="torch"),
            ],
        )
    )
    signs = list(panel.catalogue.signs)
    found = [
        (signs[c["sign"]], LOOKS[c["look"]], float(c["level"]), bool(c["seen"]))
        for c in panel.signs.codes[panel.signs.code]
    ]
    assert found == [
        ("diatoms", "glance", 0.0, True),
        ("amphipods", "glance", 0.0, False),
        ("diatoms", "torch", 0.5, False),
        ("diatoms", "glance", 0.0, True),
    ]
    assert panel.signs.row.tolist() == [0, 0, 1, 2]
    # The same observation at two tanks is one code.
    assert len(panel.signs.codes) == 3
    starts, codes = panel.signs.of_rows(0, 2)
    assert starts.tolist() == [0, 2, 3]
    assert codes.tolist() == panel.signs.code[:3].tolist()
    starts, codes = panel.signs.of_rows(2, 4)
    assert starts.tolist() == [0, 1, 1]
    assert codes.tolist() == [0]


# -- balance of past sightings -----------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "seen", "levels"),
    [
        # One look fades within about three weeks.
        *(((0, n), "yn", (0, 0.5)) for n in (0, 1, 7, 21, 25)),
        *(((0, n), "yn", (0, 0)) for n in (26, 60)),
        # Two weekly looks count in full; a day more or less does not matter.
        ((0, 7, 14, 21, 28), "yyyyy", (0, 0.5, 1, 1, 1)),
        ((0, 6, 14), "yyy", (0, 0.5, 1)),
        ((0, 8, 14), "yyy", (0, 0.5, 1)),
        # 0.5 - 0.707 of 2.41: a little less than nothing.
        ((0, 7, 14), "yny", (0, 0.5, 0)),
    ],
)
def test_levels_of_past_sightings(
    days: tuple[int, ...], seen: str, levels: tuple[float, ...]
) -> None:
    looks = [
        look(n, f"diatoms={s} hair_algae={'yn'[s == 'y']}") for n, s in zip(days, seen, strict=True)
    ]
    panel = build_panel(make_log([tank()], looks))
    codes = panel.signs.codes[panel.signs.code]
    for sign, mirror in (("diatoms", 1), ("hair_algae", -1)):
        own = codes["sign"] == list(panel.catalogue.signs).index(sign)
        assert codes["level"][own].tolist() == [mirror * level for level in levels]


def test_levels_are_odd_and_monotone() -> None:
    balance = np.linspace(-3, 3, 601)
    found = [balance_level(b) for b in balance]
    assert (np.diff(found) >= 0).all()
    assert found == [-balance_level(-b) for b in balance]
    assert set(found) == set(BALANCE_LEVELS)


# -- readings and judgements -------------------------------------------------------------


def test_readings_with_the_previous_one_and_its_age() -> None:
    r = [reading(0, 2.5, 0.0), reading(2.5, 7.5, 5.0), reading(160, math.inf, 160.0)]
    panel = build_panel(
        make_log(
            [tank()],
            [
                look(0, readings={"nitrate": r[0], "ph": reading(8, 8.2, 8.1)}),
                look(3, readings={"nitrate": r[1]}),
                look(17, readings={"nitrate": r[2], "nitrite": reading(0, 0.1, 0.0)}),
                look(17 + 28, readings={"nitrate": r[0]}),
                look(17 + 28 + 29, readings={"nitrate": r[0]}),
            ],
        )
    )
    names = panel.catalogue.informative
    found = [
        (names[c["analyte"]], c["low"], c["high"], c["previous"], c["gap"])
        for c in panel.readings.codes[panel.readings.code]
    ]
    assert found == [
        ("nitrate", 0, 2.5, -1, 0),
        ("nitrate", 2.5, 7.5, 0, 1),  # three days count as a week
        ("nitrate", 160, math.inf, 5, 2),
        ("nitrite", 0, 0.1, -1, 0),
        ("nitrate", 0, 2.5, 160, 4),
        ("nitrate", 0, 2.5, -1, 0),  # too long ago
    ]
    assert panel.readings.row.tolist() == [0, 0, 2, 2, 6, 10]


def test_judgements_with_the_previous_one() -> None:
    rows = [look(n, judged_phase=p) for n, p in ((0, "cycling"), (28, "bloom"), (57, "bloom"))]
    panel = build_panel(make_log([tank()], rows))
    found = [(int(c["phase"]), int(c["previous"])) for c in panel.judgements.codes]
    assert found == [(0, -1), (1, 0), (1, -1)]
    assert panel.judgements.row.tolist() == [0, 4, 8]


# -- events ------------------------------------------------------------------------------


def cells(values: np.ndarray, panel: Panel, kind: str) -> list[float]:
    return values[:, list(panel.catalogue.events).index(kind)].tolist()


def test_events_before_and_after_the_week_s_last_look() -> None:
    panel = build_panel(
        make_log(
            [tank()],
            [look(2), look(8), look(10)],
            [
                Event("a", day(1), "crash"),
                Event("a", day(2), "deep_clean"),  # on the day of the look: before it
                Event("a", day(3), "medication"),
                Event("a", day(9), "crash"),
                Event("a", day(13), "overfeeding", 3.0),
                Event("a", day(15), "overfeeding", 3.0),  # no look in that week
            ],
        )
    )
    assert cells(panel.impulse, panel, "crash") == [1, 1, 0]
    assert cells(panel.impulse, panel, "deep_clean") == [1, 0, 0]
    assert cells(panel.pending, panel, "medication") == [1, 0, 0]
    assert cells(panel.pending, panel, "overfeeding") == [0, 2, 0]
    assert cells(panel.impulse, panel, "overfeeding") == [0, 0, 2]
    assert panel.impulse.sum() + panel.pending.sum() == 8


def test_event_sizes_add_up_and_are_bounded() -> None:
    rows = [Event("a", day(1), "livestock_added", n) for n in (3.0, 6.0, 300.0)]
    panel = build_panel(make_log([tank()], [], rows))
    assert cells(panel.impulse, panel, "livestock_added") == [1 + 2 + 3]


# -- husbandry ---------------------------------------------------------------------------


def water(panel: Panel, n: int = 0) -> list[float]:
    rows = slice(panel.first[n], panel.first[n + 1])
    return panel.husbandry[rows, list(panel.catalogue.husbandry).index("water_changed")].tolist()


def test_water_changed_over_28_days() -> None:
    # 20 % on day 0, the last day that counts for the week ending on day 27.
    panel = build_panel(
        make_log([tank()], [look(41)], [Event("a", day(n), "water_change", 20.0) for n in (0, 40)])
    )
    # Weeks 0..2 are extrapolated to four weeks, capped at 1.5; then 20 % = 0.5; then none.
    want = [1.5, 1.0, 20 * 4 / 3 / 40, 0.5, 0.0, 0.5]
    assert water(panel) == pytest.approx([x - 0.6 for x in want], abs=1e-12)
    assert panel.water_known.all()


def test_the_window_is_28_days_to_the_day() -> None:
    for n, inside in ((28, False), (29, True)):
        event = Event("a", day(n), "water_change", 40.0)
        panel = build_panel(make_log([tank()], [], [event]), as_of=day(56))
        assert water(panel)[-1] == pytest.approx((1.0 if inside else 0.0) - 0.6)


def test_unknown_is_not_none() -> None:
    a, b, c, d = tank("a"), tank("b"), tank("c", keeper="other"), tank("d", keeper="")
    e = tank("e", keeper="")
    events = [Event("b", day(15), "water_change", 20.0), Event("d", day(0), "water_change", 20.0)]
    panel = build_panel(make_log([a, b, c, d, e], [], events), as_of=day(27))
    known = panel.water_known.reshape(5, 4).tolist()
    # Keeper k logs water changes from day 15 on: only from then does silence mean none.
    assert known[0] == known[1] == [False, False, True, True]
    assert known[2] == [False] * 4
    # Without a keeper's name every tank stands for itself.
    assert known[3] == [True] * 4
    assert known[4] == [False] * 4
    assert water(panel, 0) == pytest.approx([0, 0, -0.6, -0.6])
    assert water(panel, 2) == [0, 0, 0, 0]
    # And a run before day 15 did not know.
    assert not build_panel(panel.logbook, as_of=day(14)).water_known[:4].any()


# -- as of a day -------------------------------------------------------------------------


def test_tanks_started_later_are_left_out() -> None:
    logbook = make_log([tank("b", 30), tank("a")], [look(40, tank="b"), look(5)])
    panel = build_panel(logbook, as_of=day(29))
    assert [t.name for t in panel.tanks] == ["a"]
    assert panel.as_of_given
    assert build_panel(logbook, as_of=day(30)).first.tolist() == [0, 1, 6]
    nothing = build_panel(logbook, as_of=day(-1))
    assert nothing.tanks == ()
    assert nothing.first.tolist() == [0]


def test_as_of_cuts_to_the_day() -> None:
    logbook, _ = random_log(4)
    end = max(c.date for c in logbook.checkins)
    for n in range(0, (end - START).days, 5):
        cut = replace(
            logbook,
            tanks={k: t for k, t in logbook.tanks.items() if t.started <= day(n)},
            checkins=tuple(c for c in logbook.checkins if c.date <= day(n)),
            events=tuple(e for e in logbook.events if e.date <= day(n)),
        )
        a, b = build_panel(logbook, as_of=day(n)), build_panel(cut, as_of=day(n))
        for field in ("impulse", "pending", "husbandry", "checked", "water_known", "first", "rock"):
            assert np.array_equal(getattr(a, field), getattr(b, field)), field
        for kind in ("signs", "readings", "judgements"):
            x, y = getattr(a, kind), getattr(b, kind)
            assert np.array_equal(x.codes, y.codes)
            assert np.array_equal(x.row, y.row)
            assert np.array_equal(x.code, y.code)
        again = build_panel(logbook).until(day(n))
        assert again.as_of == day(n)
        assert np.array_equal(again.impulse, a.impulse)


def test_the_last_day_of_the_log_is_the_default() -> None:
    assert build_panel(make_log([tank()])).as_of == START
    assert build_panel(make_log([tank("a"), tank("b", 50)], [look(9)])).as_of == day(50)
    event = Event("a", day(60), "crash")
    assert build_panel(make_log([tank()], [look(9)], [event])).as_of == day(60)


@pytest.mark.parametrize("early", ["checkin", "event"])
def test_rows_before_the_start_are_refused(early: str) -> None:
    # The reader refuses them; a logbook made in memory must not spill into another tank.
    checkins = [CheckIn("a", day(-3), signs={"diatoms": True})] if early == "checkin" else []
    events = [Event("a", day(-3), "crash")] if early == "event" else []
    with pytest.raises(ValueError, match="before"):
        build_panel(make_log([tank()], checkins, events))


def test_a_catalogue_without_the_log_s_signs_is_refused() -> None:
    logbook = read_logbook(DEMO, today=dt.date(2026, 11, 25))
    with pytest.raises(ValueError, match="feather_worms"):
        build_panel(logbook, load_catalogue())
