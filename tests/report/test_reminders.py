"""The calendar file, read back by a library made for it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import icalendar
from report.form_example import EVIL, days_ago, evil_log, plain_log

from maturity_model.cli.main import main


def read(log: Path, out: Path, *more: str) -> dict[str, icalendar.Event]:
    assert main(["form", str(log), "--calendar", str(out), *more]) == 0
    calendar = icalendar.Calendar.from_ical(out.read_bytes())
    # RFC 5545, 3.1: lines of at most 75 octets, ended by CR LF.
    assert all(len(line) <= 75 for line in out.read_bytes().split(b"\r\n"))
    assert not calendar.errors
    return {str(event["uid"]): event for event in calendar.walk("VEVENT")}


def test_each_tank_has_a_weekly_look(tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    events = read(log, tmp_path / "looks.ics", "--keeper", "ann")
    assert [e["summary"] for e in events.values()] == ["Look at Reef", "Look at Nook"]
    for event in events.values():
        assert event["rrule"] == {"FREQ": ["WEEKLY"]}
        # Reef was looked at nine days ago, Nook never.
        assert event.start == dt.date.today()
        assert len(str(event["description"]).splitlines()) == 5
        (alarm,) = event.walk("VALARM")
        assert alarm["action"] == "DISPLAY"
    # A later file replaces the same events.
    with (log / "checkins.csv").open("a", encoding="utf-8") as checkins:
        checkins.write(f"Reef,{days_ago(2)},ann,careful,y,n,,\n")
    later = read(log, tmp_path / "later.ics", "--keeper", "ann")
    assert set(later) == set(events)
    assert next(iter(later.values())).start == dt.date.today() + dt.timedelta(days=5)


def test_after_a_crash_the_look_is_now_and_says_why(tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    with (log / "events.csv").open("a", encoding="utf-8") as events:
        events.write(f"Other,{days_ago(1)},crash,,\n")
    (event,) = read(log, tmp_path / "looks.ics", "--keeper", "bob").values()
    assert event.start == dt.date.today()
    assert "rash" in str(event["description"]).splitlines()[0]


def test_a_name_cannot_add_a_property(tmp_path: Path) -> None:
    log = evil_log(tmp_path / "log")
    events = read(log, tmp_path / "looks.ics")
    assert len(events) == 2
    assert any(EVIL in str(event["summary"]) for event in events.values())
