"""What keepers see when they look, and write down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from .people import SIGNS, WEED, Keeper, Row
from .phases import PHASES
from .region import Floats, Ints

ANALYTES = (
    "ammonia", "nitrite", "nitrate", "phosphate", "ph", "salinity", "temperature", "alkalinity",
)  # fmt: skip
LOOKS = ("glance", "careful", "torch")
#: Abundance at which half of the average keepers see it in a careful look; steepness in log
#: units.
_SEEN = {
    "amphipods": (0.22, 1.5), "copepods": (0.28, 1.4), "spirorbid_worms": (0.16, 1.6),
    "syconoid_sponges": (0.18, 1.5), "sand_worm_tubes": (0.20, 1.6),
    "sand_gas_bubbles": (0.20, 1.4), "bristle_worms": (0.40, 1.3), "diatoms": (0.06, 2.0),
    "film_algae": (0.07, 1.7), "hair_algae": (0.05, 2.0), "cyanobacteria": (0.05, 1.9),
    "coralline_algae": (0.03, 1.9),
}  # fmt: skip
#: What a look adds to the eyes, in log-odds; and a torch, by sign.
_LOOK = {"glance": -1.0, "careful": 0, "torch": 0.2}
_TORCH = {
    "amphipods": 1.2, "copepods": 0.7, "bristle_worms": 1.4, "spirorbid_worms": 0.4,
    "syconoid_sponges": 0.5,
}  # fmt: skip
#: What one sign is mistaken for: share of the others' abundance.
_LOOK_ALIKE: dict[str, dict[str, float]] = {
    "film_algae": {"diatoms": 0.25, "hair_algae": 0.15},
    "diatoms": {"cyanobacteria": 0.2, "film_algae": 0.1},
    "cyanobacteria": {"diatoms": 0.12},
    "coralline_algae": {"cyanobacteria": 0.03},
}


@dataclass
class Watched:
    """One tank as it is looked at.

    Attributes
    ----------
    i : int
        Its column in ``states``.
    name : str
    owner : Keeper
    other : Keeper or None
        Who looks now and then instead.
    states : mapping of str to (days, n) float ndarray
        The truth; ``_sand`` is (n,).
    start : date
    g : Generator
    blank : float
        Shift of the log of the chance of a blank.
    weekly_tests : bool
        Ammonia and nitrite are tested at every check-in by those who have the kits.
    worry : float
        How worried the keeper is; 0 is not.
    last : dict
        By sign: the last answer, and its day.
    """

    i: int
    name: str
    owner: Keeper
    other: Keeper | None
    states: Mapping[str, Floats]
    start: dt.date
    g: np.random.Generator
    weekly_tests: bool = False
    blank: float = 0.0
    worry: float = 0.5
    last: dict[str, tuple[str, int]] = field(default_factory=dict)

    def now(self, name: str, d: int) -> float:
        """The truth of day ``d``."""
        return float(self.states[name][d, self.i])


def watch(w: Watched, days: int) -> list[tuple[Row, int]]:
    """The check-ins of one tank, with the day of each; not two on one day."""
    g = w.g
    found: list[tuple[Row, int]] = []
    first, week = (w.owner.weekday - w.start.weekday()) % 7, 0
    w.blank = g.normal(0, 0.3)
    while True:
        shift = int(g.choice([-1, 0, 0, 0, 0, 1, 2]))
        d = first + 7 * week + shift
        week += 1
        if first + 7 * week - 7 >= days:
            break
        # Away for some weeks now and then, more in summer.
        if g.random() < 0.01 + 0.03 * ((w.start + dt.timedelta(d)).month in (7, 8)):
            week += int(g.integers(1, 4))
        worry = min(w.worry, 2)
        skip = w.owner.skip * np.exp(-0.7 * worry + 0.25 * min(d / 365, 2))
        if d < 0 or d >= days or g.random() < min(skip, 0.8):
            continue
        # The worried look again after three days.
        again = (d, d + 3) if worry > 1.2 and g.random() < 0.25 else (d,)
        found += [(_look(w, e), e) for e in again if e < days]
    seen, keep = set(), []
    for row, e in sorted(found, key=lambda p: p[1]):
        if e not in seen:
            seen.add(e)
            keep.append((row, e))
    return keep


def _look(w: Watched, d: int) -> Row:
    g = w.g
    who = w.other if w.other is not None and g.random() < 0.3 else w.owner
    worry = min(w.worry, 2)
    style = who.style + (1 if g.random() < 0.25 * worry else 0) - (1 if g.random() < 0.15 else 0)
    look = LOOKS[int(np.clip(style, 0, 2))]
    row = {
        "tank": w.name, "date": (w.start + dt.timedelta(d)).isoformat(), "observer": who.name,
        "look": look if g.random() < 0.9 else "", "judged_phase": "", "note": "",
    }  # fmt: skip
    fret = _answers(w, d, who, look, row)
    _readings(w, d, row)
    if w.now("ammonia", d) > 0.4 or w.now("nitrite", d) > 0.8:
        fret += 0.5 if d / 7 > 5 else 0.3
    fret += w.now("mood", d) * 0.8
    w.worry = 0.5 * w.worry + fret
    return row


def _answers(w: Watched, d: int, who: Keeper, look: str, row: Row) -> float:
    # Fills in the signs; how much what was seen worries.
    g, fret = w.g, 0.0
    copies = g.random() < who.copy and bool(w.last)
    hasty = 0.5 if look == "glance" else 0
    blank = np.clip(who.blank * np.exp(w.blank - 0.5 * min(w.worry, 2) + hasty), 0.01, 0.9)
    for sign in SIGNS:
        u, v = g.random(2)
        if sign not in w.owner.tracks:
            continue
        if sign.startswith("sand") and w.states["_sand"][w.i] == 0:
            continue
        seen = v < _chance(w, d, who, look, sign)
        if copies and sign in w.last and d - w.last[sign][1] <= 14:
            row[sign] = w.last[sign][0]
            continue
        # A nothing is left blank more often than a plain sight.
        if u < blank * (0.6 if seen else 1.15):
            continue
        row[sign] = "y" if seen else "n"
        w.last[sign] = (row[sign], d)
        if seen and sign in ("hair_algae", "cyanobacteria"):
            fret += 0.35
    return fret


def _chance(w: Watched, d: int, who: Keeper, look: str, sign: str) -> float:
    # That a sign is taken to be there.
    mid, steep = _SEEN[sign]
    eye = who.skill + who.sign_skill[sign] + _LOOK[look]
    eye += _TORCH.get(sign, 0) if look == "torch" else 0
    eye *= 0.5 if sign in WEED else 1
    blur = sum(share * w.now(other, d) for other, share in _LOOK_ALIKE.get(sign, {}).items())
    p = 1 / (1 + np.exp(-(eye + steep * np.log((w.now(sign, d) + blur + 1e-5) / mid))))
    return float(who.false + (1 - who.false) * p * 0.985)


def _readings(w: Watched, d: int, row: Row) -> None:
    young = np.exp(-((d / 7 / 9) ** 2))
    worried = min(w.worry, 2) > 1
    like = {
        "ammonia": 0.12 + 0.65 * young + 0.25 * worried,
        "nitrite": 0.08 + 0.6 * young + 0.2 * worried,
        "nitrate": 0.5 - 0.3 * young, "phosphate": 0.42 - 0.32 * young, "ph": 0.22,
        "salinity": 0.42, "temperature": 0.5, "alkalinity": 0.42 - 0.25 * young,
    }  # fmt: skip
    for a in ANALYTES:
        u = w.g.random()
        due = w.weekly_tests and a in ("ammonia", "nitrite")
        if w.owner.owns[a] and (due or u < min(like[a] * w.owner.zeal, 0.95)):
            row[a] = w.owner.read(a, w.now(a, d), w.g)


def judge(
    rows: Sequence[tuple[Row, int]], phase: Ints, accuracy: float, g: np.random.Generator
) -> None:
    """Let an experienced keeper say the phase at about half of the check-ins.

    Parameters
    ----------
    rows : sequence of (row, day)
        Changed in place.
    phase : (days,) int ndarray
        The truth.
    accuracy : float
        Chance that a fresh judgement is right; where it is wrong it is mostly late.
    g : Generator
    """
    said = None
    for row, d in rows:
        if g.random() > 0.5:
            continue
        if said is None or g.random() > 0.4:
            k = int(phase[d])
            if g.random() >= accuracy:
                past = phase[: d + 1][phase[: d + 1] != k]
                behind = -1 if not len(past) or past[-1] < k else 1
                step = behind if g.random() < 0.75 else -behind
                k = k + step if 0 <= k + step <= 3 else k - step
            said = k
        row["judged_phase"] = PHASES[said]
