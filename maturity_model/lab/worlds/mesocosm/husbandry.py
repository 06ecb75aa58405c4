"""What keepers do and what happens to tanks, with its effect on the ecology."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from . import animals, surface, water
from .region import Region
from .tanks import (
    CORALLINE,
    CYANO,
    DIATOM,
    FILM,
    HAIR,
    PATCHES,
    RIPE,
    SAND_WORM,
    SLIME,
    SPECIES,
    Bools,
    Floats,
    Ints,
    Setup,
    State,
)

YEAR = 365.0
#: Nitrogen in an animal in 100 litres, mg N/L.
_BODY = 0.35


@dataclass
class Diary:
    """All that happened, logged or not: (day, tank, event, amount); 0 where it has none."""

    entries: list[tuple[int, int, str, float]] = field(default_factory=list)

    def note(self, day: int, who: Bools, event: str, amount: Floats | Ints | float = 0.0) -> None:
        """Write down an event of some tanks."""
        amounts = np.broadcast_to(np.asarray(amount, dtype=float), who.shape)
        for tank in np.nonzero(who)[0].tolist():
            self.entries.append((day, tank, event, float(amounts[tank])))


class Keepers:
    """The keepers of a batch of tanks, day by day.

    Parameters
    ----------
    region, setup
    days : int
    rng : numpy Generator
    """

    def __init__(self, region: Region, setup: Setup, days: int, rng: np.random.Generator):
        n = setup.n
        self.region, self.setup, self.rng = region, setup, rng
        self.diary = Diary()
        self.away = _holidays(days, n, rng)
        self.next_change = np.round(14.0 + rng.exponential(14.0, n))
        self.next_purchase = np.round(setup.first_animals)
        self.next_frag = setup.first_animals + 20.0 + rng.exponential(40.0, n)
        self.feast = np.zeros(n)
        self.feast_left = np.zeros(n, np.int64)

    def _chance(self, per_year: float | Floats) -> Bools:
        u: Floats = self.rng.random(self.setup.n)
        return u < per_year / YEAR

    def feed(self, day: int, state: State) -> tuple[Floats, Floats]:
        """Food of the day: with animals, and dosed to the empty tank; mg N/L, (n,) each."""
        away = self.away[day]
        kept = state.stock > 0
        begin = self._chance(self.region.overfeedings * self.setup.careless * (1.0 + 2.0 * away))
        begin &= kept & (self.feast_left == 0)
        times = np.exp(self.rng.normal(0.7, 0.35, self.setup.n))
        times = np.clip(np.round(2.0 * times) / 2.0, 1.5, 5.0)
        self.diary.note(day, begin, "overfeeding", times)
        self.feast = np.where(begin, times, self.feast)
        self.feast_left = np.where(
            begin, 1 + self.rng.geometric(0.3, self.setup.n), self.feast_left
        )
        ration = np.where(self.feast_left > 0, self.feast, np.where(away, 0.7, 1.0))
        self.feast_left = np.maximum(self.feast_left - 1, 0)
        noise = self.rng.gamma(16.0, 1.0 / 16.0, self.setup.n)
        # A little goes in whatever the number of animals.
        fed = np.where(kept, self.setup.ration * (state.stock + 0.5) * ration * noise, 0.0)
        # An empty tank is fed, or dosed with ammonia, until there are animals.
        dosed = np.where(kept, 0.0, self.setup.start_dose * noise * (day > 0))
        return fed, dosed

    def change_water(self, day: int, state: State) -> None:
        """Routine changes, and big ones where animals are in danger."""
        s, rng = self.setup, self.rng
        danger = (state.stock > 0) & (state.ammonia > 0.5) & ~self.away[day]
        rescue = danger & (rng.random(s.n) < 0.25)
        due = (day >= self.next_change) & ~self.away[day]
        share = s.change_fraction * np.exp(rng.normal(0.0, 0.15, s.n))
        share = np.where(rescue, np.maximum(share, 0.25 + 0.2 * rng.random(s.n)), share)
        who = due | rescue
        percent = np.clip(np.round(100.0 * share), 2.0, 60.0)
        water.change_water(s, state, np.where(who, percent / 100.0, 0.0))
        self.diary.note(day, who, "water_change", percent)
        gap = s.change_interval * np.exp(rng.normal(0.0, 0.25, s.n))
        self.next_change = np.where(who, day + np.maximum(gap, 3.0), self.next_change)

    def buy(self, day: int, state: State, pace: Floats) -> None:
        """Animals until the tank holds what its keeper wants; frags on their own dates."""
        s, rng = self.setup, self.rng
        clean = (state.ammonia < 0.12) & (state.nitrite < 0.15)
        careful = clean | (~s.patient & (day > s.first_animals + 10))
        who = (day >= self.next_purchase) & (state.stock < s.target - 0.5) & careful
        who &= ~self.away[day]
        few = np.where(state.stock < 1, 0.12, 0.22) * s.target
        number = np.minimum(1 + rng.poisson(few), np.ceil(s.target - state.stock))
        number = np.where(who, np.maximum(number, 1), 0)
        state.stock = state.stock + number
        held = number * _BODY * 100.0 / s.volume
        state.stock_nitrogen += held
        state.added += held
        self.next_purchase = np.where(who, day + 9.0 + rng.gamma(3.0, 8.0, s.n), self.next_purchase)
        frags = (day >= self.next_frag) & (state.stock > 0) & clean & ~self.away[day]
        self.next_frag = np.where(frags, day + 15.0 + rng.exponential(45.0, s.n), self.next_frag)
        self.diary.note(day, who, "livestock_added", number)
        pieces = 1 + rng.poisson(1.5, s.n)
        both = frags & ~who
        self.diary.note(day, both, "livestock_added", pieces)
        batch = 0.5 * who + 1.0 * frags
        animals.hitch_hike(self.region, s, state, batch, rng)
        # Snail shells and the plugs of frags carry crusts; sometimes a tuft of hair algae.
        spores = self.region.hitch_hiking * s.quarantine**0.3 * (3.0 * who + 12.0 * frags)
        surface.recruit(self.region, state, spores, pace, rng)
        tuft = (batch > 0) & (rng.random(s.n) < 0.15)
        surface.strip(state, (SLIME, FILM), 2.0 / PATCHES * tuft, HAIR, rng)

    def lose(self, state: State, share: Floats) -> Floats:
        """Let a share of the livestock die and (half of it) rot; how many died, (n,)."""
        died = self.rng.binomial(np.round(state.stock).astype(np.int64), np.clip(share, 0, 1))
        part = died / np.maximum(state.stock, 1.0)
        body = part * state.stock_nitrogen
        state.stock = state.stock - died
        state.stock_nitrogen -= body
        state.detritus += 0.6 * body  # the rest is found and taken out
        state.removed += 0.4 * body
        state.phosphate += 0.02 * body
        return died.astype(np.float64)

    def accidents(self, day: int, state: State) -> None:
        """Crashes, deep cleans, stirred sand and medication."""
        s, region = self.setup, self.region
        toxic = np.clip(state.ammonia - 0.9, 0.0, 3.0) * (state.stock > 0)
        self.lose(state, 0.0004 + 0.02 * toxic)
        crash = self._chance(region.crashes * s.careless * (1.0 + self.away[day]) + 12.0 * toxic)
        self._crash(day, state, crash & (day > 10))
        green = surface.nuisance(state)
        clean = self._chance(region.deep_cleans * s.careless + 3.0 * np.clip(green - 0.5, 0, 1))
        self._deep_clean(day, state, clean & ~self.away[day] & (day > 20))
        stir = self._chance(region.sand_stirrings * s.careless) & (s.sand > 0)
        self._stir(day, state, stir & (day > 10))
        dense = np.clip(state.stock / s.target, 0.0, 1.5)
        sick = self._chance(region.medications * s.careless * dense) & (state.stock > 0)
        self._medicate(day, state, sick)

    def _crash(self, day: int, state: State, who: Bools) -> None:
        if not who.any():
            return
        rng, n = self.rng, self.setup.n
        # Most are bad nights; a few empty the tank.
        hard = np.where(who, rng.beta(1.6, 1.4, n), 0.0)
        self.lose(state, hard)
        state.oxidisers_1 *= 1.0 - 0.7 * hard
        state.oxidisers_2 *= 1.0 - 0.8 * hard
        tender = np.array([0.85, 1.0, 0.8, 1.3, 0.7, 0.6])
        before = state.adult.sum(1)
        animals.kill(state, hard[:, None] * tender, rng)
        # Small animals and the skin of the rock rot with the rest.
        body = np.where(who, 0.0006 * (before - state.adult.sum(1)) + 0.9 * hard, 0.0)
        state.detritus += body
        state.added += body
        state.phosphate += 0.03 * body
        surface.strip(state, (RIPE,), 0.85 * hard, SLIME, rng)
        surface.strip(state, (CORALLINE,), 0.35 * hard, SLIME, rng)
        self.diary.note(day, who, "crash")

    def _deep_clean(self, day: int, state: State, who: Bools) -> None:
        if not who.any():
            return
        rng = self.rng
        hard = np.where(who, 0.3 + 0.6 * rng.random(self.setup.n), 0.0)
        surface.strip(state, (DIATOM, FILM, HAIR, CYANO), hard, SLIME, rng)
        surface.strip(state, (RIPE, CORALLINE), 0.55 * hard, SLIME, rng)
        animals.kill(state, np.repeat(0.45 * hard[:, None], SPECIES, axis=1), rng)
        state.oxidisers_1 *= 1.0 - 0.4 * hard
        state.oxidisers_2 *= 1.0 - 0.45 * hard
        out = 0.7 * hard * state.detritus
        wiped = 0.8 * hard * state.algal_nitrogen
        state.detritus -= out
        state.algal_nitrogen -= wiped
        state.removed += out + wiped
        state.anoxia *= 1.0 - 0.5 * hard
        self.diary.note(day, who, "deep_clean")

    def _stir(self, day: int, state: State, who: Bools) -> None:
        if not who.any():
            return
        hard = np.where(who, 0.2 + 0.7 * self.rng.random(self.setup.n), 0.0)
        deep = np.minimum(self.setup.sand / 50.0, 1.6) * hard
        freed = 0.5 * deep * (0.2 + state.anoxia)
        state.ammonia += 0.4 * freed
        state.detritus += 0.6 * freed
        state.added += freed
        state.phosphate += 0.02 * deep
        state.silicate += 0.3 * deep
        state.anoxia *= 1.0 - 0.8 * hard
        state.oxidisers_1 *= 1.0 - 0.15 * hard
        state.oxidisers_2 *= 1.0 - 0.2 * hard
        share = np.zeros((self.setup.n, SPECIES))
        share[:, SAND_WORM] = 0.8 * hard
        share[:, 0] = 0.2 * hard
        animals.kill(state, share, self.rng)
        self.diary.note(day, who, "sand_disturbed")

    def _medicate(self, day: int, state: State, who: Bools) -> None:
        if not who.any():
            return
        rng, n = self.rng, self.setup.n
        hard = np.where(who, rng.beta(1.5, 1.5, n), 0.0)
        animals.kill(state, 0.7 * hard[:, None] * animals.DRUGGED, rng)
        state.residue = np.minimum(state.residue + hard, 1.5)
        state.oxidisers_1 *= 1.0 - 0.3 * hard
        state.oxidisers_2 *= 1.0 - 0.4 * hard
        surface.strip(state, (RIPE,), 0.3 * hard, SLIME, rng)
        surface.strip(state, (CYANO,), 0.8 * hard, SLIME, rng)
        body = 0.3 * hard
        state.detritus += body
        state.added += body
        self.diary.note(day, who, "medication")


def _holidays(days: int, n: int, rng: np.random.Generator) -> Bools:
    """Days when the keeper is away: about two journeys a year of one to four weeks."""
    away = np.zeros((days, n), np.bool_)
    for tank in range(n):
        day = int(rng.exponential(170.0))
        while day < days:
            length = int(7 + rng.integers(0, 20))
            away[day : day + length, tank] = True
            day += length + 20 + int(rng.exponential(150.0))
    return away
