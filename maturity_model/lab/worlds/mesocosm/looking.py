"""What keepers write down: when they look, what they see, what they judge.

Nothing of the true phase enters here, save for the judged phases, which are its noisy copy;
signs come from how much of a thing there is.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from .history import History
from .phases import PHASES
from .tanks import CORALLINE, CYANO, DIATOM, FILM, HAIR, Bools, Floats, Ints

Row = dict[str, str]

SIGNS = (
    "amphipods", "copepods", "spirorbid_worms", "syconoid_sponges", "sand_worm_tubes",
    "sand_gas_bubbles", "bristle_worms", "diatoms", "film_algae", "hair_algae",
    "cyanobacteria", "coralline_algae",
)  # fmt: skip
SAND_SIGNS = (SIGNS.index("sand_worm_tubes"), SIGNS.index("sand_gas_bubbles"))
LOOKS = ("glance", "careful", "torch")
#: Abundance (animals, share of the surface, anoxia times depth) at which a careful look of an
#: ordinary keeper finds it in 63 of 100.
_FOUND_AT = np.array([45.0, 280.0, 60.0, 14.0, 30.0, 0.45, 35.0, 0.06, 0.10, 0.035, 0.03, 0.035])
#: How much a torch at night helps, and how much a glance loses.
_TORCH = np.array([3.0, 2.0, 1.3, 1.5, 1.2, 1.2, 4.0, 1.0, 1.0, 1.0, 1.0, 1.0])
_GLANCE = np.array([0.3, 0.25, 0.4, 0.3, 0.4, 0.5, 0.3, 0.8, 0.8, 0.9, 0.9, 0.8])
#: Small things, which skill finds; all can see green hair.
_SMALL = np.array([0.8, 1.0, 0.9, 0.9, 0.6, 0.5, 0.6, 0.1, 0.2, 0.0, 0.2, 0.3])
#: Who is taken for whom: (sign written, sign there, chance for each that is seen).
_LOOK_ALIKE = (
    ("copepods", "amphipods", 0.06), ("amphipods", "copepods", 0.03),
    ("diatoms", "cyanobacteria", 0.12), ("cyanobacteria", "diatoms", 0.05),
    ("film_algae", "diatoms", 0.10), ("hair_algae", "film_algae", 0.05),
    ("coralline_algae", "cyanobacteria", 0.03), ("sand_worm_tubes", "bristle_worms", 0.03),
)  # fmt: skip


@dataclass(frozen=True)
class CheckIns:
    """Check-ins in order of tank and day; each array has one entry per check-in.

    Attributes
    ----------
    tank, day : (m,) int
    look : (m,) int, index into :data:`LOOKS`
    worried : (m,) bool
    """

    tank: Ints
    day: Ints
    look: Ints
    worried: Bools


@dataclass(frozen=True)
class Habits:
    """Keepers' ways; (n,) unless said.

    Attributes
    ----------
    diligence : chance of a check-in in an ordinary week
    skill : for small things, 1 is ordinary
    copies : chance that an answer is last week's
    mistakes : factor on look-alikes
    skips : (n, 12) chance that a sign is left blank
    says_look : writes how the look was made
    """

    diligence: Floats
    skill: Floats
    copies: Floats
    mistakes: Floats
    skips: Floats
    says_look: Bools


def draw_habits(history: History, rng: np.random.Generator) -> Habits:
    """Draw the keepers of a batch."""
    region, n = history.region, history.setup.n
    # Some never fill in a column; the others leave it blank now and then.
    never = rng.random((n, len(SIGNS))) < 0.10
    now_and_then = rng.beta(1.2, 7.0, n)[:, None] * rng.uniform(0.5, 1.5, (n, len(SIGNS)))
    odds = region.diligence / (1.0 - region.diligence) * np.exp(rng.normal(0.0, 0.6, n))
    return Habits(
        diligence=odds / (1.0 + odds),
        skill=region.sharpness * np.exp(rng.normal(0.0, 0.45, n)),
        copies=region.copying * rng.gamma(2.0, 0.5, n),
        mistakes=region.mistaking / 0.02 * rng.gamma(3.0, 1.0 / 3.0, n),
        skips=np.where(never, 1.0, np.clip(now_and_then, 0.0, 1.0)),
        says_look=rng.random(n) < 0.7,
    )


def visit(history: History, habits: Habits, rng: np.random.Generator) -> CheckIns:
    """When each keeper looks and how: about weekly, at most one look a day."""
    days, n = history.phases.shape
    usual = rng.integers(0, 7, size=(n,))
    tank, day, look, worried = [], [], [], []
    green: Floats = history.cover[:, :, [DIATOM, HAIR, CYANO]].sum(axis=2)
    for i in range(n):
        last = -3
        for week in range((days + 6) // 7):
            when = 7 * week + int(usual[i]) + int(rng.integers(-1, 2))
            if not 0 <= when < days or when <= last:
                continue
            trouble = history.ammonia[when, i] > 0.4 or (
                when > 14 and green[when, i] > green[when - 14, i] + 0.15
            )
            # Interest wears off, trouble brings it back.
            chance = habits.diligence[i] * (1.0 - 0.12 * min(when / 365.0, 2.0))
            if trouble:
                chance = 1.0 - 0.4 * (1.0 - chance)
            if history.away[when, i] or rng.random() > chance:
                continue
            u = rng.random()
            torch, glance = (0.35, 0.1) if trouble else (0.10, 0.25)
            tank.append(i)
            day.append(when)
            look.append(2 if u < torch else 0 if u > 1.0 - glance else 1)
            worried.append(trouble)
            last = when
    return CheckIns(
        np.array(tank, np.int64), np.array(day, np.int64), np.array(look, np.int64),
        np.array(worried, np.bool_),
    )  # fmt: skip


def abundance(history: History, at: CheckIns) -> Floats:
    """How much there is of what each sign is about, shape (m, 12), in units of ``_FOUND_AT``."""
    adult = history.adult[at.day, at.tank]
    cover = history.cover[at.day, at.tank]
    bed = history.anoxia[at.day, at.tank] * np.minimum(history.setup.sand[at.tank] / 40.0, 1.5)
    there = np.column_stack([
        adult[:, 1], adult[:, 0], adult[:, 2], adult[:, 3], adult[:, 4], bed, adult[:, 5],
        cover[:, DIATOM], cover[:, FILM], cover[:, HAIR], cover[:, CYANO], cover[:, CORALLINE],
    ])  # fmt: skip
    out: Floats = there / _FOUND_AT
    return out


def chance_to_see(there: Floats, look: Ints, skill: Floats) -> Floats:
    """Chance that a sign is seen, given how much there is, before mistakes; (m, 12)."""
    effort = np.stack([_GLANCE, np.ones(len(SIGNS)), _TORCH])[look]
    # Bubbles, mats and tufts are patchy: twice as much is not twice as often seen.
    return -np.expm1(-(there**1.2) * effort * skill[:, None] ** _SMALL)


def answers(history: History, habits: Habits, at: CheckIns, rng: np.random.Generator) -> Ints:
    """What is written for each sign: 1 seen, 0 looked for and not seen, -1 blank; (m, 12)."""
    chance = chance_to_see(abundance(history, at), at.look, habits.skill[at.tank])
    seen = rng.random(chance.shape) < chance
    out = seen.copy()
    factor = habits.mistakes[at.tank] / np.sqrt(np.maximum(habits.skill[at.tank], 0.2))
    for written, there, often in _LOOK_ALIKE:
        w, t = SIGNS.index(written), SIGNS.index(there)
        out[:, w] |= seen[:, t] & (rng.random(len(seen)) < often * factor)
    out |= rng.random(out.shape) < 0.004 * factor[:, None]
    blank = rng.random(out.shape) < habits.skips[at.tank]
    # A glance is not enough for the small ones: honest keepers leave them blank.
    blank |= (at.look == 0)[:, None] & (rng.random(out.shape) < 0.5 * _SMALL)
    blank[:, SAND_SIGNS] |= (history.setup.sand[at.tank] == 0)[:, None]
    copied = rng.random(out.shape) < habits.copies[at.tank][:, None]
    written_down = np.where(blank, -1, out.astype(np.int64))
    for row in range(1, len(out)):
        if at.tank[row] == at.tank[row - 1] and at.day[row] - at.day[row - 1] <= 21:
            # Copying fills in what was there last week, and leaves its blanks as they are.
            take = copied[row] & (written_down[row] >= 0) & (written_down[row - 1] >= 0)
            written_down[row, take] = written_down[row - 1, take]
    return written_down


def judgements(
    history: History, at: CheckIns, share: float, accuracy: float, rng: np.random.Generator
) -> list[str]:
    """Phases as judged at about half of the check-ins of a share of the tanks.

    A fresh judgement is right with chance ``accuracy``; else it is a neighbouring phase, three
    times in four the one before (keepers see a change late). Every third one just repeats the
    last. A chosen tank that was visited has at least one judgement.
    """
    n = history.setup.n
    chosen = np.zeros(n, np.bool_)
    order = rng.permutation(n)
    visited = np.isin(order, at.tank)  # a tank never visited is chosen last
    chosen[np.concatenate([order[visited], order[~visited]])[: round(share * n)]] = True
    out = [""] * len(at.day)
    last: dict[int, int] = {}
    for row, (tank, day) in enumerate(zip(at.tank.tolist(), at.day.tolist(), strict=True)):
        u = rng.random(4)
        if not chosen[tank] or (tank in last and u[0] > 0.5):
            continue
        phase = int(history.phases[day, tank])
        if tank in last and u[1] < 1.0 / 3.0:
            phase = last[tank]
        elif u[2] > accuracy:
            step = -1 if u[3] < 0.75 else 1
            phase = phase + step if 0 <= phase + step <= 3 else phase - step
        last[tank] = phase
        out[row] = PHASES[phase]
    return out


def text_date(start: dt.date, day: int) -> str:
    """Write a day as an ISO date."""
    return (start + dt.timedelta(days=day)).isoformat()
