"""Whether a filter was seen at work: something to process was there, and went."""

from __future__ import annotations

import datetime as dt

from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.evidence import (
    POISONS,
    Limits,
    Missing,
    at_most,
    low_step,
    read_since,
)

#: Events after which the filter must prove itself again.
ENDING = ("crash", "deep_clean", "medication")
NOTHING_FED = "Zero may only mean that nothing has been fed to the filter yet."
_FEED = "Feed the filter, log it, and follow ammonia and nitrite up and down again."


def proof_of_work(log: TankLog, limits: Limits) -> list[Missing]:
    """Return what is missing of the proof; empty where the filter worked."""
    ended = log.last_event(*ENDING)
    since = ended.date if ended else log.tank.started
    if _rose_and_fell(log, limits, since) or _fed_and_gone(log, limits, since):
        return []
    return [Missing("proof of work", NOTHING_FED, _FEED)]


def _rose_and_fell(log: TankLog, limits: Limits, since: dt.date) -> bool:
    for name in POISONS:
        newest = log.latest_reading(name)
        if newest is None or at_most(newest[1]) > low_step(newest[1], limits):
            continue
        for checkin in log.checkins:
            reading, lies_between = checkin.readings.get(name), since <= checkin.date < newest[0]
            high = reading is not None and reading.low > low_step(reading, limits)
            if high and lies_between and _nitrate_since(log, checkin.date):
                return True
    return False


def _fed_and_gone(log: TankLog, limits: Limits, since: dt.date) -> bool:
    fed = next((e for e in log.events if e.kind == "overfeeding" and e.date >= since), None)
    if fed is None or not read_since(log, fed.date, limits["after_overfeeding_days"], *POISONS):
        return False
    newest = [log.latest_reading(name) for name in POISONS]
    gone = all(x and at_most(x[1]) <= low_step(x[1], limits) for x in newest)
    return gone and _nitrate_since(log, fed.date)


def _nitrate_since(log: TankLog, date: dt.date) -> bool:
    return any(
        c.date >= date and "nitrate" in c.readings and c.readings["nitrate"].low > 0
        for c in log.checkins
    )
