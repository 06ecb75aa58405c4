"""One day in the life of many tanks at once.

Nitrogen and phosphorus are conserved: every milligram that enters or leaves is entered in
``ledger``, and the tests add it up. Their declared ways in: food, the first dose, source
water, animals and spores that come with rock or livestock. Their ways out: water changes,
skimming, denitrification (nitrogen), and what a keeper removes by hand. The nitrifiers' own
nitrogen is neglected (a few percent of what they oxidise; E). Whatever is taken from a stock
in a day is limited by ``stock * (1 - exp(-wanted / stock))``, so no stock turns negative.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic.ranges import ALGAL, ANIMALS, ROCKS

Floats = NDArray[np.float64]

#: Phosphorus to nitrogen (mass) in detritus and in everything alive: near Redfield, 0.138; E.
ORGANIC_PHOSPHORUS = 0.10
#: Nitrogen in a full density of animals of each kind, mg/L. E.
ANIMAL_NITROGEN = np.array([0.05, 0.02, 0.02, 0.02, 0.04, 0.05])[:, None]
#: Alkalinity used, meq for 1 mg of nitrogen oxidised: two protons for each ammonium.
ALKALINITY_PER_NITROGEN = 2 / 14.007
#: Chance that a kind can ever settle in a tank. E. Order: ANIMALS.
ARRIVES = np.array([0.93, 0.97, 0.85, 0.55, 0.88, 0.90])[:, None]
#: How much a kind suffers from fouled water, and is hunted by fish that hunt pods. E.
TENDER = np.array([1.0, 0.8, 1.0, 2.5, 0.8, 0.3])[:, None]
HUNTED = np.array([1.0, 0.7, 0.0, 0.0, 0.1, 0.2])[:, None]
AMPHIPODS, COPEPODS = 0, 1
DIATOMS, FILM, HAIR, CYANO = range(4)
#: Rates rise so much per kelvin, from 25.5 degrees: a Q10 of 2. P.
WARMING, USUAL_TEMPERATURE = 2 ** (1 / 10), 25.5


def taken(stock: Floats, wanted: Floats) -> Floats:
    """What can be taken from a stock in a day of what is wanted; never all of it."""
    safe = np.maximum(stock, 1e-300)
    return np.asarray(stock * -np.expm1(-wanted / safe))


class Tanks:
    """N tanks, mutable; see the module for what is conserved.

    Parameters
    ----------
    p : mapping of str to ndarray, shape (N,)
        Parameters, see :mod:`maturity_model.lab.worlds.mechanistic.ranges`.
    rock : int ndarray, shape (N,)
        Index into ``ROCKS``.
    sand_mm : ndarray, shape (N,)
    rng : numpy.random.Generator
    """

    def __init__(
        self,
        p: Mapping[str, Floats],
        rock: NDArray[np.int64],
        sand_mm: Floats,
        rng: np.random.Generator,
    ):
        n = len(rock)
        self.p, self.rng, self.n = p, rng, n
        self.live = rock / (len(ROCKS) - 1)  # 0 dry, 0.5 mixed, 1 live
        self.sand = sand_mm
        living = self.live > 0
        zero = np.zeros(n)
        self.ammonia = p["first_dose"] * (1 - self.live)
        self.nitrite, self.nitrate = zero.copy(), p["tap_nitrate"].copy()
        self.phosphate = np.full(n, 0.01)
        self.bound = 0.2 + 0.8 * rng.random(n)  # phosphorus that rock may give back
        self.silicate = p["salt_silicate"].copy()
        self.detritus = p["die_off"] * self.live + 0.02
        log = (1 - self.live) * np.log(p["seed_dry"]) + self.live * np.log(p["seed_live"])
        self.ammonia_oxidiser = np.exp(log)
        self.nitrite_oxidiser = 0.6 * np.exp(log)
        self.algae = np.tile(p["spores"], (len(ALGAL), 1))
        self.arrives = rng.random((len(ANIMALS), n)) < ARRIVES
        came = self.arrives & living & (rng.random((len(ANIMALS), n)) < 0.4 + 0.5 * self.live)
        self.animals = np.where(came, 2 * p["inoculum"] * self.live, 0.0)
        self.settles = living.copy()  # whether anything has been brought in yet
        self.coralline = np.where(living, 4 * p["coralline_spores"] * self.live, 0.0)
        self.snails = zero.copy()
        self.hunters = zero.copy()
        self.gas, self.sand_age = zero.copy(), zero.copy()
        self.neglect = zero.copy()  # 1 while the keeper has lost interest
        self.set_temperature = USUAL_TEMPERATURE + 0.6 * rng.normal(size=n)
        self.temperature = self.set_temperature.copy()
        self.set_salinity = 34.8 + 0.6 * rng.normal(size=n)
        self.salinity = self.set_salinity.copy()
        self.alkalinity = p["alkalinity_set"].copy()
        self.growth = np.stack([p[k] for k in (
            "amphipod_growth", "copepod_growth", "spirorbid_growth", "sponge_growth",
            "sand_worm_growth", "bristle_growth")])  # fmt: skip
        self.algal_growth = np.stack(
            [p[k] for k in ("diatom_growth", "film_growth", "hair_growth", "cyano_growth")]
        )
        #: Nitrogen and phosphorus that came in, less what went out, mg/L.
        self.ledger = {"nitrogen": self.nitrogen(), "phosphorus": self.phosphorus()}
        #: Nitrogen oxidised yesterday, and what the ammonia load was, mg/L.
        self.processed, self.load = zero.copy(), zero.copy()

    # -- what there is -------------------------------------------------------------------

    def organic(self) -> Floats:
        """Nitrogen in detritus and everything alive, mg/L."""
        alive = self.algae.sum(0) * self.p["algae_nitrogen"]
        return np.asarray(self.detritus + alive + (self.animals * ANIMAL_NITROGEN).sum(0))

    def nitrogen(self) -> Floats:
        """All nitrogen, mg/L."""
        return np.asarray(self.organic() + self.ammonia + self.nitrite + self.nitrate)

    def phosphorus(self) -> Floats:
        """All phosphorus, mg/L."""
        return np.asarray(ORGANIC_PHOSPHORUS * self.organic() + self.phosphate + self.bound)

    def enter(self, nitrogen: Floats, phosphorus: Floats) -> None:
        """Enter what came in (or, negative, went out) in the ledger."""
        self.ledger["nitrogen"] = self.ledger["nitrogen"] + nitrogen
        self.ledger["phosphorus"] = self.ledger["phosphorus"] + phosphorus

    def enter_organic(self, nitrogen: Floats) -> None:
        """Likewise of organic matter."""
        self.enter(nitrogen, ORGANIC_PHOSPHORUS * nitrogen)

    # -- a day ---------------------------------------------------------------------------

    def day(self, food: Floats) -> None:
        """Let a day pass.

        Parameters
        ----------
        food : ndarray, shape (N,)
            Nitrogen fed, mg/L.
        """
        self.weather()
        warm = WARMING ** (self.temperature - USUAL_TEMPERATURE)
        self.feed(food, warm)
        self.nitrify(warm)
        self.grow_algae(warm)
        self.grow_animals(warm, food)
        self.grow_coralline(warm)
        self.settle_sand()

    def weather(self) -> None:
        """Temperature, salinity and alkalinity wander about what the keeper sets."""
        rng, n, p = self.rng, self.n, self.p
        self.temperature += 0.25 * (self.set_temperature - self.temperature)
        self.temperature += 0.18 * rng.normal(size=n)
        self.salinity += 0.12 * (self.set_salinity - self.salinity) + 0.10 * rng.normal(size=n)
        put_back = np.maximum(p["alkalinity_set"] - self.alkalinity, 0) * p["dosing"] * 0.12
        put_back *= 1 - 0.8 * self.neglect
        self.alkalinity += put_back + 0.02 * rng.normal(size=n)
        np.clip(self.alkalinity, 0.3, 6.0, out=self.alkalinity)

    def feed(self, food: Floats, warm: Floats) -> None:
        """Food in, detritus rots, the skimmer takes its share."""
        p = self.p
        excreted = p["excreted"] * food
        uneaten = food - excreted
        phosphorus = np.maximum(p["food_phosphorus"] * food, ORGANIC_PHOSPHORUS * uneaten)
        rotted = taken(self.detritus, p["mineralised"] * warm * self.detritus)
        self.detritus += uneaten - rotted
        self.ammonia += excreted + rotted
        self.phosphate += phosphorus - ORGANIC_PHOSPHORUS * uneaten + ORGANIC_PHOSPHORUS * rotted
        self.enter(food, phosphorus)
        kept_up = 1 - 0.7 * self.neglect
        skimmed = taken(self.detritus, p["exported"] * kept_up * self.detritus)
        self.detritus -= skimmed
        self.enter_organic(-skimmed)
        self.load = excreted + rotted
        # Phosphate binds to rock until it is loaded, and comes off again.
        room = np.maximum(1.2 - self.bound, 0)
        on = taken(self.phosphate, p["bound"] * room * self.phosphate)
        off = 0.005 * self.bound
        self.phosphate += off - on
        self.bound += on - off
        held = taken(self.phosphate, p["media"] * kept_up * self.phosphate)
        self.phosphate -= held
        self.enter(np.zeros(self.n), -held)

    def nitrify(self, warm: Floats) -> None:
        """Two guilds of nitrifiers (Monod, with room to fill), and denitrification."""
        p = self.p
        alkaline = self.alkalinity / (self.alkalinity + 0.4)
        hungry = self.ammonia / (p["ammonia_half"] + self.ammonia)
        made = taken(self.ammonia, self.ammonia_oxidiser * hungry * warm * alkaline)
        self.ammonia_oxidiser += self.ammonia_oxidiser * (
            p["ammonia_oxidiser"] * warm * hungry * alkaline
            * (1 - self.ammonia_oxidiser / p["nitrifier_room"]) - p["nitrifier_loss"]
        ) + 1e-6  # fmt: skip
        self.ammonia -= made
        self.nitrite += made
        sated = self.nitrite / (p["nitrite_half"] + self.nitrite)
        # Un-ionised ammonia holds nitrite oxidisers back, so nitrite piles up first. P.
        held = 1 / (1 + self.ammonia / 1.5)
        used = taken(self.nitrite, self.nitrite_oxidiser * sated * warm * held)
        self.nitrite_oxidiser += self.nitrite_oxidiser * (
            p["nitrite_oxidiser"] * warm * sated * held
            * (1 - self.nitrite_oxidiser / p["nitrifier_room"]) - p["nitrifier_loss"]
        ) + 1e-6  # fmt: skip
        self.nitrite -= used
        self.nitrate += used
        self.processed = made
        self.alkalinity -= ALKALINITY_PER_NITROGEN * made
        deep = (0.3 + self.live) * (0.5 + np.minimum(self.sand, 100) / 100)
        ripe = 1 - np.exp(-self.sand_age / 60)
        gone = taken(self.nitrate, p["denitrified"] * deep * ripe * warm * self.nitrate)
        self.nitrate -= gone
        self.alkalinity += ALKALINITY_PER_NITROGEN / 2 * gone
        self.enter(-gone, np.zeros(self.n))
        np.clip(self.alkalinity, 0.3, 6.0, out=self.alkalinity)

    def limits(self) -> Floats:
        """How far nutrients let each kind of algae grow, shape (4, N), in [0, 1]."""
        p = self.p
        n = (self.ammonia + self.nitrate) / (p["algae_nitrogen_half"] + self.ammonia + self.nitrate)
        f = self.phosphate / (p["algae_phosphorus_half"] + self.phosphate)
        s = self.silicate / (p["silicate_half"] + self.silicate)
        both = np.minimum(n, f)
        # Sheets of cyanobacteria live off rotting matter, and do with little nitrogen.
        rotten = np.minimum(f, 0.5 + 0.5 * n) * (0.25 + 0.75 * self.detritus / (self.detritus + 1))
        return np.stack([np.minimum(both, s), both, both, rotten])

    def grow_algae(self, warm: Floats) -> None:
        """Algae share space, light and nutrients; grazers and age take from them."""
        p = self.p
        nitrogen = p["algae_nitrogen"]
        free = np.maximum(1 - self.algae.sum(0) - 0.7 * self.coralline, 0)
        shade = np.stack([1 - 0.6 * self.algae[HAIR]] * 2 + [np.ones(self.n)] * 2)
        rate = self.algal_growth * warm * p["light"] * self.limits() * shade
        wanted = (rate * self.algae + p["spores"] * self.limits()) * free
        # No more than there is nitrogen, phosphorus and silicate for.
        there = self.ammonia + self.nitrate
        need = np.maximum(wanted.sum(0) * nitrogen, 1e-300)
        share = np.minimum(
            taken(there, need) / need,
            taken(self.phosphate, need * ORGANIC_PHOSPHORUS) / (need * ORGANIC_PHOSPHORUS),
        )
        need_silicate = np.maximum(wanted[DIATOMS] * nitrogen * p["silicate_need"], 1e-300)
        grown = wanted * share
        grown[DIATOMS] *= taken(self.silicate, need_silicate) / need_silicate
        used = grown.sum(0) * nitrogen
        from_ammonia = used * self.ammonia / np.maximum(there, 1e-300)
        self.ammonia -= from_ammonia
        self.nitrate -= used - from_ammonia
        self.phosphate -= ORGANIC_PHOSPHORUS * used
        self.silicate -= np.minimum(grown[DIATOMS] * nitrogen * p["silicate_need"], self.silicate)
        self.algae += grown
        pods, tiny = self.animals[AMPHIPODS], self.animals[COPEPODS]
        eaters = np.stack(
            [
                0.4 * pods + 0.8 * tiny + self.snails * p["snail_grazing"] / p["grazing"],
                0.6 * pods + 0.7 * tiny + self.snails * p["snail_grazing"] / p["grazing"],
                0.9 * pods + 0.6 * self.snails * p["snail_grazing"] / p["grazing"],
                0.15 * pods,
            ]
        )
        eaten = taken(self.algae, p["grazing"] * warm * eaters * self.algae)
        self.algae -= eaten
        died = taken(self.algae, p["algae_loss"] * warm * self.algae)
        self.algae -= died
        fresh = 0.3 * eaten.sum(0) * nitrogen
        self.ammonia += fresh
        self.phosphate += ORGANIC_PHOSPHORUS * fresh
        self.detritus += (eaten.sum(0) + died.sum(0)) * nitrogen - fresh

    def grow_animals(self, warm: Floats, food: Floats) -> None:
        """Animals live off algae, detritus and food; foul water and fish take them."""
        p = self.p
        diatoms, film, hair, _ = self.algae
        fed = np.minimum(food / 0.1, 3.0)
        rot = self.detritus
        eats = np.stack([
            0.6 * film + 0.8 * hair + 0.25 * rot,
            0.8 * film + 0.6 * diatoms + 0.2 * rot,
            0.30 * fed + 0.4 * film,
            0.25 * fed + 0.15 * rot,
            0.35 * rot + 0.05 * fed,
            0.25 * rot + 0.20 * fed,
        ])  # fmt: skip
        sated = eats / (eats + 0.15)
        foul = np.maximum(self.ammonia - 0.15, 0) * 0.25 + np.maximum(self.nitrite - 0.5, 0) * 0.03
        foul += 0.004 * np.maximum(self.nitrate - 8, 0)
        grown = self.growth * warm * sated * self.animals * np.maximum(1 - self.animals, 0)
        lost = taken(
            self.animals,
            self.animals
            * (p["animal_loss"] + TENDER * foul + HUNTED * self.hunters * p["predation"]),
        )
        # What grows is built from detritus (faeces, biofilm); limited by what there is of it.
        need = np.maximum((grown * ANIMAL_NITROGEN).sum(0), 1e-300)
        grown *= taken(self.detritus, need) / need
        self.detritus += ((lost - grown) * ANIMAL_NITROGEN).sum(0)
        self.animals += grown - lost
        settled = np.where(self.settles & self.arrives, p["settling"] / (1 + 20 * foul), 0.0)
        self.bring(settled)

    def bring(self, density: Floats) -> None:
        """Bring in animals of each kind, shape (6, N)."""
        self.animals += density
        self.enter_organic((density * ANIMAL_NITROGEN).sum(0))

    def grow_coralline(self, warm: Floats) -> None:
        """Coralline needs spores, alkalinity, steady water, and no hair algae on top."""
        p = self.p
        alkaline = np.clip((self.alkalinity - 1.7) / 0.7, 0, 1)
        room = np.maximum(1 - self.coralline - 0.9 * self.algae[HAIR] - 0.5 * self.algae[CYANO], 0)
        poisoned = 1 / (1 + self.phosphate / 0.12)
        foul = np.maximum(self.ammonia - 0.2, 0) * 0.05
        rate = p["coralline_growth"] * warm * alkaline * poisoned * room
        bleached = 0.004 * (1 - alkaline) + foul + 0.001
        self.coralline += self.coralline * (rate - np.minimum(bleached, 0.5))
        # Lime laid down: about 0.03 meq/L each day at full cover and speed. E.
        self.alkalinity -= 0.6 * rate * self.coralline

    def settle_sand(self) -> None:
        """Gas in the sand: depth, rot and age make it."""
        self.sand_age += 1
        depth = np.clip((self.sand - 5) / 45, 0, 1)
        ripe = 1 - np.exp(-self.sand_age / 45)
        target = depth * ripe * self.detritus / (self.detritus + 0.5)
        self.gas += 0.07 * (target - self.gas)

    def ph(self) -> Floats:
        """Of the water by day, NBS scale: alkalinity, less what rots."""
        return np.asarray(
            8.18 + 0.28 * np.log(self.alkalinity / 2.6) - 0.03 * np.minimum(self.detritus, 4)
        )
