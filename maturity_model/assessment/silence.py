"""How long nobody has looked at a tank. After some weeks a log supports no advice."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from maturity_model.catalogue import load_permissions
from maturity_model.logbook import CheckIn


def is_look(checkin: CheckIn) -> bool:
    """Whether a check-in holds an observation."""
    return bool(checkin.signs or checkin.readings or checkin.judged_phase)


def last_look(checkins: Sequence[CheckIn]) -> dt.date | None:
    """Day of the last check-in that holds an observation, of check-ins by date."""
    return next((c.date for c in reversed(checkins) if is_look(c)), None)


def is_silent(last: dt.date | None, as_of: dt.date) -> bool:
    """Whether the last look is ``silent_days`` ago (``permissions.csv``), or there was none."""
    return last is None or (as_of - last).days >= load_permissions()["silent_days"]
