"""Cautions that a log calls for, each with its authority.

They rest on what was logged lately, not on any probability of a phase. None is a
diagnosis of an animal and none names a dose: what the label and a vet say comes first,
and so do local law and animal-welfare law.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from maturity_model.assessment.ammonia import PHScale, Span, unionised_span
from maturity_model.catalogue import Catalogue
from maturity_model.logbook.types import CheckIn, Event, Reading, Tank

#: Criteria for un-ionised ammonia in salt water, mg/L as NH3.
CHRONIC_MG_L = 0.035
ACUTE_MG_L = 0.233
#: Stands in, and the text says so, where the log has no recent reading.
ASSUMED = {"ph": 8.2, "temperature": 25.0, "salinity": 35.0}
#: Days for which readings and events count as the present.
RECENT_DAYS = 14
#: A crash without an ammonia reading since is recent for so many days.
UNREAD_DAYS = 56
#: Days for which pH, temperature and salinity are taken to stand.
STANDING_DAYS = 28
#: Days within which pods must have been seen for their absence to say anything.
POD_DAYS = 42
#: Total ammonia, mg/L as NH4, from which a young empty tank looks dosed (common practice).
DOSED_MG_L = 1.0
#: Bounds outside which a reading is remarked on (common practice).
USUAL = {"temperature": (20.0, 30.0), "salinity": (30.0, 38.0)}

_EPA = (
    "Washington WAC 173-201A-240, marine criteria for un-ionised ammonia, after EPA "
    "440/5-88-004 (1989); share of NH3 after Clegg and Whitfield 1995"
)
_PRACTICE = "common practice, no source"
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
    """

    level: Literal["urgent", "care"]
    title: str
    text: str
    authority: str


class Unionised(NamedTuple):
    """Un-ionised ammonia of one reading, mg/L as NH3.

    Attributes
    ----------
    low, best, high : float
        Bounds from the kits' steps, and the value at each reading's one best number;
        ``high`` may be ``inf``.
    basis : str
        What pH, temperature and salinity it was reckoned with, and which were assumed.
    date : date
        Of the ammonia reading.
    """

    low: float
    best: float
    high: float
    basis: str
    date: dt.date


@dataclass(frozen=True, slots=True)
class _Log:
    """What one tank's log says up to a day."""

    tank: Tank
    checkins: tuple[CheckIn, ...]
    events: tuple[Event, ...]
    as_of: dt.date
    catalogue: Catalogue

    def latest(self, analyte: str, days: int) -> tuple[dt.date, Reading] | None:
        for checkin in reversed(self.checkins):
            if (self.as_of - checkin.date).days > days:
                return None
            if analyte in checkin.readings:
                return checkin.date, checkin.readings[analyte]
        return None

    def recent_event(self, kind: str) -> Event | None:
        found = [e for e in self.events if e.kind == kind]
        if found and (self.as_of - found[-1].date).days <= RECENT_DAYS:
            return found[-1]
        return None


def unionised_now(
    tank: Tank, checkins: Iterable[CheckIn], as_of: dt.date, catalogue: Catalogue
) -> Unionised | None:
    """Un-ionised ammonia from the latest ammonia reading of the last 14 days.

    Parameters
    ----------
    tank : Tank
    checkins : iterable of CheckIn
        Other tanks' and later rows are passed over.
    as_of : date
    catalogue : Catalogue

    Returns
    -------
    Unionised or None
        None without an ammonia reading in that time. pH, temperature and salinity are
        the latest of the last 28 days, else :data:`ASSUMED`; their kits' steps widen the
        bounds too.
    """
    return _unionised(_select(tank, checkins, (), as_of, catalogue))


def cautions_for(
    tank: Tank,
    checkins: Iterable[CheckIn],
    events: Iterable[Event],
    as_of: dt.date,
    catalogue: Catalogue,
) -> tuple[Caution, ...]:
    """Cautions for one tank on one day.

    Parameters
    ----------
    tank : Tank
    checkins, events : iterable
        Other tanks' and later rows are passed over.
    as_of : date
    catalogue : Catalogue
        For the names of signs and analytes.

    Returns
    -------
    tuple of Caution
        Urgent ones first, otherwise in the order of the rules.
    """
    log = _select(tank, checkins, events, as_of, catalogue)
    ammonia = _unionised(log)
    found = [
        _crash(log),
        *_ammonia(log, ammonia),
        _nitrite(log, ammonia),
        _sand(log),
        _medication(log),
        _hands(log),
        *_pods(log),
        *_range(log),
    ]
    return tuple(sorted((c for c in found if c), key=lambda c: c.level != "urgent"))


def _select(
    tank: Tank,
    checkins: Iterable[CheckIn],
    events: Iterable[Event],
    as_of: dt.date,
    catalogue: Catalogue,
) -> _Log:
    # the sort is stable: rows of one day keep the order of the file
    mine = [c for c in checkins if c.tank == tank.name and c.date <= as_of]
    mine.sort(key=lambda c: c.date)
    happened = [e for e in events if e.tank == tank.name and e.date <= as_of]
    happened.sort(key=lambda e: e.date)
    return _Log(tank, tuple(mine), tuple(happened), as_of, catalogue)


def _unionised(log: _Log) -> Unionised | None:
    reading = log.latest("ammonia", RECENT_DAYS)
    if reading is None:
        return None
    date, total = reading
    water: dict[str, Span] = {}
    words = []
    scale: PHScale = "nbs"
    for name, assumed in ASSUMED.items():
        found = log.latest(name, STANDING_DAYS)
        if found is None:
            water[name] = Span(assumed, assumed, assumed)
            words.append(f"{_LABEL[name]} {assumed:g}{_UNIT[name]} (assumed, not logged lately)")
            continue
        when, value = found
        if name == "ph" and "total" in value.unit.casefold():
            scale = "total"
        water[name] = Span(value.low, value.best, value.high)
        words.append(f"{_LABEL[name]} {value.best:.3g}{_UNIT[name]} ({when})")
    where = (
        "NBS scale (assumed, as hobby probes and kits are set)" if scale == "nbs" else "total scale"
    )
    basis = f"{', '.join(words)}; pH on the {where}"
    span = unionised_span(
        Span(total.low, total.best, total.high),
        water["ph"],
        water["temperature"],
        water["salinity"],
        scale,
    )
    return Unionised(*span, basis=basis, date=date)


_LABEL = {"ph": "pH", "temperature": "temperature", "salinity": "salinity"}
_UNIT = {"ph": "", "temperature": " °C", "salinity": ""}


def _ammonia(log: _Log, now: Unionised | None) -> list[Caution]:
    if now is None or now.high <= CHRONIC_MG_L:
        return []
    out = []
    stocked = log.recent_event("livestock_added")
    ever_stocked = any(e.kind == "livestock_added" for e in log.events)
    reach = f"{now.low:.3f} mg/L or more"
    if now.high != float("inf"):
        reach = f"between {now.low:.3f} and {now.high:.3f} mg/L"
    measured = (
        f"From the total ammonia of {now.date}, un-ionised ammonia (as NH3) lies {reach}, "
        f"likely near {now.best:.3f}; criteria: {ACUTE_MG_L} acute, {CHRONIC_MG_L} chronic. "
        f"Reckoned with {now.basis}. "
    )
    act = (
        "Livestock is at risk: change water for new seawater of the same temperature and "
        "salinity, feed nothing meanwhile, and repeat the test with a second or fresh kit."
    )
    if not ever_stocked:
        act += " No livestock was logged; if there is none yet, add none until this is below."
    if now.low > ACUTE_MG_L or now.best > ACUTE_MG_L:
        out.append(
            Caution("urgent", "Ammonia above the acute criterion", measured + act + _DEFER, _EPA)
        )
    elif now.best > CHRONIC_MG_L:
        sure = "is" if now.low > CHRONIC_MG_L else "is probably"
        title = f"Ammonia {sure} above the chronic criterion"
        out.append(Caution("care", title, measured + act + _DEFER, _EPA))
    else:
        step = "the ammonia kit's first step" if now.low <= 0 else "a kit's step"
        why = (
            f"The criterion lies inside that span only because {step} is too coarse: the kit "
            "cannot tell whether it is exceeded. A finer kit, or a second one, can; change water "
            "if in doubt, and add no livestock before it is settled."
        )
        out.append(
            Caution("care", "The kit cannot tell whether ammonia is too high", measured + why, _EPA)
        )
    if stocked and now.best > CHRONIC_MG_L:
        text = (
            f"Livestock was added on {stocked.date} and the ammonia of {now.date} is likely above "
            "the chronic criterion. Add no more, change water, and have another tank's water or "
            "another keeper's tank in reserve." + _DEFER
        )
        out.append(Caution("urgent", "Livestock added while ammonia is high", text, _EPA))
    reading = log.latest("ammonia", RECENT_DAYS)
    young = (log.as_of - log.tank.started).days < 8 * 7
    if young and not ever_stocked and reading and reading[1].best >= DOSED_MG_L:
        text = (
            "If this tank is being cycled with ammonium chloride: gloves and eye protection when "
            "handling it, keep it dry, closed and away from children, and rinse eyes "
            "with plenty of water and see a doctor if any gets in."
        )
        out.append(
            Caution(
                "care",
                "Handling ammonium chloride",
                text,
                "International Chemical Safety Card ICSC 1051",
            )
        )
    return out


def _nitrite(log: _Log, ammonia: Unionised | None) -> Caution | None:
    reading = log.latest("nitrite", RECENT_DAYS)
    alone = ammonia is None or ammonia.best <= CHRONIC_MG_L
    # an open '<x' must not count as high
    if reading is None or not alone or reading[1].best < 1 or reading[1].low <= 0:
        return None
    text = (
        f"Nitrite of {reading[0]} reads about {reading[1].best:.2g} mg/L. In seawater it is a far "
        "lesser problem than in fresh water, because chloride competes with it at the gill. It "
        "says that the cycle is not finished: measure ammonia, and add no livestock yet."
    )
    source = "Lewis and Morris 1986, Trans. Am. Fish. Soc. 115: 183-195 (from memory)"
    return Caution("care", "Nitrite, but in seawater", text, source)


def _crash(log: _Log) -> Caution | None:
    crashes = [e for e in log.events if e.kind == "crash"]
    if not crashes:
        return None
    event = crashes[-1]
    days = (log.as_of - event.date).days
    read = any("ammonia" in c.readings and c.date > event.date for c in log.checkins)
    # It stands until ammonia was read again, and two weeks at least.
    if days > (RECENT_DAYS if read else UNREAD_DAYS):
        return None
    text = (
        f"A crash was logged on {event.date}. Remove dead animals, measure ammonia, temperature "
        "and salinity, keep the water moving, change water, and move living animals out if you "
        "can. Unplug before hands go in, and feed the tank through a residual-current device. "
        "Never release animals or water outdoors." + _DEFER
    )
    authority = f"Livestock: {_PRACTICE}. Electricity: CPSC; BS 7671. Release: US FWS"
    return Caution("urgent", "After a crash", text, authority)


def _sand(log: _Log) -> Caution | None:
    events = [e for k in ("sand_disturbed", "deep_clean") if (e := log.recent_event(k))]
    if not events:
        return None
    event = max(events, key=lambda e: e.date)
    depth = log.tank.sand_depth_mm
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
        f"Depth, age and small parts: {_PRACTICE}"
    )
    return Caution("care", "Hydrogen sulphide from the sand", text, authority)


def _medication(log: _Log) -> Caution | None:
    event = log.recent_event("medication")
    if event is None:
        return None
    text = (
        f"Medication was logged on {event.date}. Follow the label and a vet, do not combine "
        "medicines, and mind that many harm shrimp, snails, corals and the bacteria that take "
        "up ammonia: measure ammonia. Carbon takes many medicines out: leave it out or put it "
        "in as the label says." + _DEFER
    )
    return Caution("care", "Medication in the tank", text, _PRACTICE)


def _hands(log: _Log) -> Caution | None:
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


def _pods(log: _Log) -> list[Caution]:
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
        return [Caution("care", "Pods have gone missing", text, _PRACTICE)]
    return []


def _range(log: _Log) -> list[Caution]:
    out = []
    for name, (lowest, highest) in USUAL.items():
        found = log.latest(name, RECENT_DAYS)
        # the whole interval must lie outside: an open '<x' proves nothing
        if found is None or not (found[1].high < lowest or found[1].low > highest):
            continue
        label = log.catalogue.analytes[name].label
        text = (
            f"{label} of {found[0]} reads {found[1].best:.3g}{_UNIT[name]}, outside {lowest:g} to "
            f"{highest:g}. Check the instrument first, then bring it back slowly."
        )
        out.append(Caution("care", f"{label} out of the usual range", text, _PRACTICE))
    return out
