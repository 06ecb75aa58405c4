"""Cautions that a log calls for, each with its authority.

They rest on the recent log, not on the probability of any phase. None diagnoses an animal
or names a dose: the label, a vet, local law and animal-welfare law come first.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from maturity_model.assessment.ammonia_now import (
    ACUTE_MG_L,
    CHRONIC_MG_L,
    RECENT_DAYS,
    UNITS,
    TankLog,
    Unionised,
    unionised_now,
)

#: Days for which a crash is recent if ammonia has not been read since.
UNREAD_DAYS = 56
#: Days within which pods must have been seen for their absence to count.
POD_DAYS = 42
#: Total ammonia, mg/L as NH4, from which a young empty tank looks dosed (common practice).
DOSED_MG_L = 1.0
#: Readings that get a caution outside their usual range.
RANGED = ("temperature", "salinity")

_EPA = (
    "Washington WAC 173-201A-240, marine criteria for un-ionised ammonia, after EPA "
    "440/5-88-004 (1989); share of NH3 after Clegg and Whitfield 1995"
)
PRACTICE = "common practice, no source"
_DEFER = " A vet, local law and animal-welfare law come before this page."


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Attributes
    ----------
    level : {'urgent', 'care'}
        ``urgent``: livestock may be at risk now.
    title, text : str
        Plain text; ``text`` may quote the log and must be escaped like all of it.
    authority : str
        Published source, or 'common practice, no source'.
    remedies : tuple of str
        Decision rules that the text asks for, whatever their probability.
    said, act : str
        What happened and what to do now, each as short as it can be; empty where a keeper's
        page need not say it at once.
    date : date or None
        When it happened.
    """

    level: Literal["urgent", "care"]
    title: str
    text: str
    authority: str
    remedies: tuple[str, ...] = ()
    said: str = ""
    act: str = ""
    date: dt.date | None = None


def cautions_for(log: TankLog) -> tuple[Caution, ...]:
    """Cautions for one tank on one day: urgent ones first, otherwise in the order of the rules."""
    ammonia = unionised_now(log)
    cautions = [
        _crash(log),
        *_ammonia(log, ammonia),
        _nitrite(log, ammonia),
        _sand(log),
        _medication(log),
        _hands(log),
        *_pods(log),
        *_range(log),
    ]
    return tuple(sorted((c for c in cautions if c), key=lambda c: c.level != "urgent"))


def _ammonia(log: TankLog, now: Unionised | None) -> list[Caution]:
    if now is None or now.high <= CHRONIC_MG_L:
        return []
    stocked = [e for e in log.events if e.kind == "livestock_added"]
    out = [_ammonia_level(now, bool(stocked))]
    added = log.recent_event("livestock_added")
    if added and now.best > CHRONIC_MG_L:
        text = (
            f"Livestock was added on {added.date} and the ammonia of {now.date} is likely above "
            "the chronic criterion. Add no more, change water, and have another tank's water or "
            "another keeper's tank in reserve." + _DEFER
        )
        act = "Add no more. Change water. Have another tank ready for them."
        title, said = "Livestock added while ammonia is high", "Animals added into high ammonia"
        out.append(Caution("urgent", title, text, _EPA, (), said, act, added.date))
    reading = log.latest_reading("ammonia", RECENT_DAYS)
    young = (log.as_of - log.tank.started).days < 8 * 7
    if young and not stocked and reading and reading[1].best >= DOSED_MG_L:
        text = (
            "If this tank is being cycled with ammonium chloride: gloves and eye protection when "
            "handling it, keep it dry, closed and away from children, and rinse eyes "
            "with plenty of water and see a doctor if any gets in."
        )
        source = "International Chemical Safety Card ICSC 1051"
        out.append(Caution("care", "Handling ammonium chloride", text, source))
    return out


def _ammonia_level(now: Unionised, stocked: bool) -> Caution:
    """Return the caution for a level that may lie above the chronic criterion."""
    reach = f"{now.low:.3f} mg/L or more"
    if now.high != float("inf"):
        reach = f"between {now.low:.3f} and {now.high:.3f} mg/L"
    measured = (
        f"From the total ammonia of {now.date}, un-ionised ammonia (as NH3) lies {reach}, "
        f"likely near {now.best:.3f}; criteria: {ACUTE_MG_L} acute, {CHRONIC_MG_L} chronic. "
        f"Reckoned with {now.basis}. "
    )
    if now.best <= CHRONIC_MG_L:
        step = "the ammonia kit's first step" if now.low <= 0 else "a kit's step"
        coarse = (
            f"The criterion lies inside that span only because {step} is too coarse: the kit "
            "cannot tell whether it is exceeded. A finer kit, or a second one, can; change water "
            "if in doubt, and add no livestock before it is settled."
        )
        title = "The kit cannot tell whether ammonia is too high"
        return Caution(
            "care", title, measured + coarse, _EPA, said="Ammonia unclear", date=now.date
        )
    act = (
        "change water for new seawater of the same temperature and salinity, feed nothing "
        "meanwhile, and repeat the test with a second or fresh kit."
    )
    if stocked:
        act = f"Livestock is at risk: add none, {act}"
    else:
        act = f"If livestock is in the tank, it is at risk: {act} None was logged; if there is "
        act += "none yet, add none until this is below."
    text = measured + act + _DEFER
    if now.best > ACUTE_MG_L:
        remedies: tuple[str, ...] = ("change_water", "measure_ammonia")
        rescue = "Change water, feed nothing, test again with a second kit."
        title, said = "Ammonia above the acute criterion", "Ammonia far too high"
        return Caution("urgent", title, text, _EPA, remedies, said, rescue, now.date)
    # A tank that is being cycled without animals needs its ammonia.
    remedies = ("measure_ammonia",)
    if stocked:
        remedies = ("change_water", "measure_ammonia", "stop_adding")
    sure = "is" if now.low > CHRONIC_MG_L else "is probably"
    title = f"Ammonia {sure} above the chronic criterion"
    return Caution("care", title, text, _EPA, remedies, "Ammonia high", date=now.date)


def _nitrite(log: TankLog, ammonia: Unionised | None) -> Caution | None:
    reading = log.latest_reading("nitrite", RECENT_DAYS)
    alone = ammonia is None or ammonia.best <= CHRONIC_MG_L
    # An open '<x' must not count as high.
    if reading is None or not alone or reading[1].best < 1 or reading[1].low <= 0:
        return None
    read = ammonia is not None and ammonia.date >= reading[0]
    measure = "go on measuring" if read else "measure"
    text = (
        f"Nitrite of {reading[0]} reads about {reading[1].best:.2g} mg/L. In seawater it is a far "
        "lesser problem than in fresh water, because chloride competes with it at the gill. It "
        f"says that the cycle is not finished: {measure} ammonia, and add no livestock yet."
    )
    source = "Lewis and Morris 1986, Trans. Am. Fish. Soc. 115: 183-195 (from memory)"
    remedies = ("stop_adding",) if read else ("measure_ammonia", "stop_adding")
    title, said = "Nitrite, but in seawater", "Nitrite high"
    return Caution("care", title, text, source, remedies, said, date=reading[0])


def _crash(log: TankLog) -> Caution | None:
    event, reading = log.last_event("crash"), log.latest_reading("ammonia")
    if event is None:
        return None
    read = reading is not None and reading[0] > event.date
    # The caution stays until ammonia is read again, and for two weeks at least.
    if log.days_since(event.date) > (RECENT_DAYS if read else UNREAD_DAYS):
        return None
    text = (
        f"A crash was logged on {event.date}. Remove dead animals, measure ammonia, temperature "
        "and salinity, keep the water moving, change water, and move living animals out if you "
        "can. Unplug before hands go in, and feed the tank through a residual-current device. "
        "Never release animals or water outdoors." + _DEFER
    )
    authority = f"Livestock: {PRACTICE}. Electricity: CPSC; BS 7671. Release: US FWS"
    act = (
        "Unplug before hands go in. Take out the dead, test ammonia, change water, move the "
        "living if you can."
    )
    return Caution("urgent", "After a crash", text, authority, (), "Crash", act, event.date)


def _sand(log: TankLog) -> Caution | None:
    event, depth = log.recent_event("sand_disturbed", "deep_clean"), log.tank.sand_depth_mm
    if event is None:
        return None
    if depth is None:
        if (event.date - log.tank.started).days <= 26 * 7:
            return None
        bed = "The depth of the sand is not logged and the tank is more than half a year old"
    elif depth >= 60:
        bed = f"The sand is {depth:g} mm deep"
    else:
        return None
    text = (
        f"{bed}, and it was worked on {event.date}. A deep old bed can free hydrogen sulphide, "
        "which is poisonous to animals and people: do small parts at a time with the room "
        "ventilated, stop at a smell of rotten eggs, and watch the animals' breathing." + _DEFER
    )
    authority = (
        "Gas: International Chemical Safety Card ICSC 0165, hydrogen sulphide (from memory). "
        f"Depth, age and small parts: {PRACTICE}"
    )
    return Caution("care", "Hydrogen sulphide from the sand", text, authority)


def _medication(log: TankLog) -> Caution | None:
    event = log.recent_event("medication")
    if event is None:
        return None
    text = (
        f"Medication was logged on {event.date}. Follow the label and a vet, do not combine "
        "medicines, and mind that many harm shrimp, snails, corals and the bacteria that take "
        "up ammonia: measure ammonia. Carbon takes many medicines out: leave it out or put it "
        "in as the label says." + _DEFER
    )
    return Caution("care", "Medication in the tank", text, PRACTICE)


def _hands(log: TankLog) -> Caution | None:
    event = log.recent_event("deep_clean")
    if event is None:
        return None
    text = (
        f"A deep clean was logged on {event.date}. Next time too: unplug before hands go in; "
        "never scrub, scrape dry or boil rock with zoanthids, which can carry palytoxin; gloves, "
        "no open cuts, and tell the doctor about the tank if a cut will not heal "
        "(Mycobacterium marinum)."
    )
    authority = "CPSC; BS 7671 (electricity). CDC MMWR 64(31), 2015 (palytoxin). Cuts: from memory"
    return Caution("care", "Hands in the tank", text, authority)


def _pods(log: TankLog) -> list[Caution]:
    for name in ("amphipods", "copepods"):
        looks = [(c.date, c.signs[name]) for c in log.checkins if name in c.signs]
        seen = [date for date, there in looks if there]
        if len(looks) < 3 or not seen or any(there for _, there in looks[-2:]):
            continue
        if (log.as_of - seen[-1]).days > POD_DAYS:
            continue
        text = (
            f"{log.catalogue.signs[name].label} were seen on {seen[-1]} and since then looked for "
            f"and not seen twice or more, last on {looks[-1][0]}. Pods that vanish are held to be "
            "a bad omen: look again after dark, and check ammonia, temperature and salinity. "
            "Fish that eat them explain it as well."
        )
        return [Caution("care", "Pods have gone missing", text, PRACTICE)]
    return []


def _range(log: TankLog) -> list[Caution]:
    out = []
    for name in RANGED:
        usual = log.catalogue.analytes[name].range
        lowest, highest = usual.usual_low, usual.usual_high
        latest = log.latest_reading(name, RECENT_DAYS)
        # The whole interval must lie outside: an open '<x' proves nothing.
        if latest is None or not (latest[1].high < lowest or latest[1].low > highest):
            continue
        label, (date, reading) = log.catalogue.analytes[name].label, latest
        text = (
            f"{label} of {date} reads {reading.best:.3g}{UNITS[name]}, outside {lowest:g} to "
            f"{highest:g}. Check the instrument first, then bring it back slowly."
        )
        out.append(Caution("care", f"{label} out of the usual range", text, PRACTICE))
    return out
