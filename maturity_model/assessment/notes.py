"""What the reader must know about how a log was understood, in whole sentences."""

from __future__ import annotations

from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.filtering import FULL_WEEKS
from maturity_model.panel import Panel


def log_notes(panel: Panel, n: int, log: TankLog) -> tuple[str, ...]:
    """How the log of tank n was understood where it leaves a choice."""
    last = int(panel.first[n + 1]) - 1
    notes = []
    if log.tank.rock is None:
        notes.append(
            "The kind of rock was not logged; the start is taken as a mixture of all kinds."
        )
    if not panel.water_known[last]:
        notes.append(
            "No water change was ever logged by this keeper, so how much is changed is taken "
            "as unknown (as usual), not as none."
        )
    elif not any(e.kind == "water_change" for e in log.events):
        notes.append(
            "This keeper logs water changes, but none for this tank: it counts as having had none."
        )
    for event in log.events:
        kind = panel.catalogue.events[event.kind]
        if not log.tank.can_have(kind.needs):
            notes.append(
                f"{kind.label} was logged on {event.date}, but by its logged depth this tank has "
                "no sand; one of the two is wrong. The event counts all the same."
            )
    used = {name for c in log.checkins for name in c.signs}
    own = [s.label for s in panel.catalogue.signs.values() if s.own and s.name in used]
    if own:
        notes.append(
            f"Signs of the club's own ({', '.join(own)}) count with the chances that the club "
            "wrote down."
        )
    return tuple(notes)


def draws_notes(used: int, there: int) -> tuple[str, ...]:
    """Whether a long log was filtered with fewer draws than the population has."""
    if used == there:
        return ()
    return (
        f"The log reaches over more than {FULL_WEEKS} weeks, so {used} of the population's "
        f"{there} draws are used: the last digits of a probability move a little.",
    )
