"""Small logs that the gate of the permissions is asked about."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.permissions import (
    Permission,
    Record,
    missing_evidence,
    relevant_problems,
)
from maturity_model.logbook import read_logbook

TODAY = dt.date(2026, 3, 1)
HEADER = "tank,date,copepods,ammonia,nitrite,nitrate,ph,temperature"


def day(ago: int) -> str:
    return (TODAY - dt.timedelta(days=ago)).isoformat()


def tank_log(
    checkins: list[str],
    events: list[str] | None = None,
    *,
    kits: list[str] | None = None,
    started: str = "2026-01-01",
) -> Record:
    """What the gate reads of a logbook that is written down and read in."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "tanks.csv").write_text(f"tank,started,rock\nInvented,{started},dry\n")
        (folder / "checkins.csv").write_text("\n".join([HEADER, *checkins]) + "\n")
        rows = ["tank,date,event,amount,note", *(events or [])]
        (folder / "events.csv").write_text("\n".join(rows) + "\n")
        if kits is not None:
            (folder / "kits.csv").write_text("\n".join(["analyte,method,unit,steps", *kits]) + "\n")
        logbook = read_logbook(folder, today=TODAY)
    tank = logbook.tanks["Invented"]
    log = TankLog.of(tank, logbook.checkins, logbook.events, TODAY, logbook.catalogue)
    return Record(
        log=log,
        cautions=cautions_for(log),
        problems=relevant_problems(logbook.problems, "Invented"),
    )


def needs(log: Record, permission: Permission = "first animals") -> list[str]:
    return [m.need for m in missing_evidence(log, permission)]


def happened(kind: str, ago: int, amount: str = "") -> str:
    """A row of events."""
    return f"Invented,{day(ago)},{kind},{amount},"


def row(ago: int, pods: str = "", *readings: str) -> str:
    return ",".join(["Invented", day(ago), pods, *readings, *[""] * (5 - len(readings))])


#: A cycle that rose, fell, and left nitrate; looked at and measured two days ago.
PROVEN = [row(40, "n", "4", "0", "0"), row(20, "n", "1", "2", "5"), row(2, "y", "0", "0", "10")]
