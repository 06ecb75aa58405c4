"""Several check-ins of one tank on one day are one look.

A second look on the same day finds mostly the same animals. It is hardly new evidence, and
must not count as an independent observation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from maturity_model.catalogue import LOOKS
from maturity_model.logbook.files import MAX_CELL
from maturity_model.logbook.problems import Collector, Fault
from maturity_model.logbook.rows import MAX_NAME
from maturity_model.logbook.types import CheckIn

_AND = " + "


def merge_days(checkins: Sequence[CheckIn], problems: Collector) -> list[CheckIn]:
    """Merge the check-ins of a tank on one day; each merge is reported.

    A sign was seen that day if any of them saw it. Of several readings of one analyte, or
    judgements of the phase, the last in the file is used. The look is the most thorough. Both
    before and after, check-ins stand in the order of their (first) rows.
    """
    out: dict[tuple[object, ...], CheckIn] = {}
    for c in checkins:
        before = out.setdefault((c.tank, c.date), c)
        if before is c:
            continue
        out[c.tank, c.date] = _merged(before, c)
        again = [name for name in c.readings if name in before.readings]
        if before.judged_phase is not None and c.judged_phase is not None:
            again.append("judged_phase")
        what = (
            f"is a day that line {before.line} has for this tank already, and both are one look: "
            "a sign was seen if either saw it"
        )
        what += f"; of {', '.join(again)} this later line is used" if again else ""
        fault = Fault(what, "nothing to do, or correct the date")
        day = c.date.isoformat()
        problems.add("settled", "row", c.file, c.line, "date", day, fault, c.tank)
    return list(out.values())


def _merged(first: CheckIn, second: CheckIn) -> CheckIn:
    signs = dict(first.signs)
    for name, seen in second.signs.items():
        signs[name] = seen or signs.get(name, False)
    # The look belongs to the signs: a row without any does not count.
    looks = [c.look for c in (first, second) if c.signs] or [first.look]
    # A blank observer may be anybody, so a name takes precedence.
    people = dict.fromkeys(x for x in (*first.observer.split(_AND), second.observer) if x)
    notes = dict.fromkeys(c.note for c in (first, second) if c.note)
    return replace(
        first,
        observer=_AND.join(people)[:MAX_NAME],
        look=max(looks, key=LOOKS.index),
        judged_phase=second.judged_phase or first.judged_phase,
        note=" / ".join(notes)[:MAX_CELL],
        signs=signs,
        readings={**first.readings, **second.readings},
    )
