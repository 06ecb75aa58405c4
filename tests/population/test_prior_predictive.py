"""The practice population, run forwards, agrees with the time scales of common practice.

Every range below is common practice, no source; the only sources on these time scales
(diatoms within days, copepods within hours to a week: Wahl 1989, Chertoprud 2005) speak
of settlement, not of what a keeper sees. Weeks are counted from 0, so "in week 4" of
practice lies between 3 and 4 here; months have 4.35 weeks. Where practice gives a range
for a tank, the test asks it of the median, or of the middle half where it says so.

Monte Carlo errors: with 1000 tanks a share has a standard error below 0.016 and the
quartiles of these waiting times about half a week to one and a half; each row says how
far its bound lies from the value found when it was written.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.population import load_population

# Run by the full job; the numbers of practice seldom change.
pytestmark = pytest.mark.slow

MONTH = 4.35
DRY, LIVE, USUAL = (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.5, 0.3, 0.2)
NEVER = 10_000.0


@cache
def tanks(
    rocks: tuple[float, float, float] = USUAL,
    *,
    water_changes: float = 0.75,
    events_per_year: float = 0.25,
    logged: bool = False,
    weeks: int = 110,
    n: int = 1000,
) -> Simulated:
    """Tanks of the practice population, each with its own draw."""
    habits = Habits(
        weeks=weeks,
        rocks=rocks,
        water_changes=water_changes,
        events_per_year=events_per_year,
        checkin=0.75 if logged else 0.0,
        reading=0.0,
    )
    rng = np.random.default_rng(20261125)
    return simulate_logbook(load_population(), load_catalogue(), n, rng, habits)


def reached(simulated: Simulated, phase: int) -> np.ndarray:
    """First week in this phase or a later one."""
    return np.array(
        [np.argmax(p >= phase) if (p >= phase).any() else NEVER for p in simulated.phases]
    )


def first_seen(simulated: Simulated, *signs: str) -> np.ndarray:
    """Week of the first sighting of any of these, with usual logging."""
    found = dict.fromkeys(simulated.logbook.tanks, NEVER)
    for c in simulated.logbook.checkins:
        if any(c.signs.get(s) for s in signs):
            week = (c.date - simulated.logbook.tanks[c.tank].started).days // 7
            found[c.tank] = min(found[c.tank], week)
    return np.array(list(found.values()))


@cache
def logged(rocks: tuple[float, float, float]) -> Simulated:
    return tanks(rocks, logged=True, weeks=70)


def quartile(q: int, values: np.ndarray) -> float:
    return float(np.quantile(values, q / 4))


def cycled(rocks: tuple[float, float, float]) -> float:
    """Median weeks to leave cycling."""
    return quartile(2, reached(tanks(rocks, weeks=30), 1))


def seen(q: int, *signs: str, rocks: tuple[float, float, float] = USUAL) -> float:
    """Quartile of the week of the first sighting."""
    return quartile(q, first_seen(logged(rocks), *signs))


def share(first: int, last: int, sign: str, rocks: tuple[float, float, float] = USUAL) -> float:
    """Share of tanks whose first sighting is in these weeks."""
    week = first_seen(logged(rocks), sign)
    return float(np.mean((week >= first) & (week <= last)))


#: What practice says, how it is measured, and the range it must lie in.
PRACTICE: dict[str, tuple[Callable[[], float], float, float]] = {
    # Cycling: 4-6 weeks from dry rock, 1-3 from live rock. Found: 6 and 2; with four other seeds
    # 0.61 to 0.63 of tanks from dry rock have left by week 6, so the median is at most 6.
    "weeks to leave cycling, dry rock": (lambda: cycled(DRY), 4, 6),
    "weeks to leave cycling, live rock": (lambda: cycled(LIVE), 1, 3),
    # Diatoms: weeks 2-8. "Most tanks" is more than half. Found: 0.52, and with four other
    # seeds 0.49 to 0.53: practice is only just met.
    "share whose first diatoms are in weeks 2-8, dry rock": (
        lambda: share(1, 7, "diatoms", DRY),
        0.5,
        1,
    ),
    "first diatoms, dry rock": (lambda: seen(2, "diatoms", rocks=DRY), 1, 8),
    # Worm tubes and gas bubbles in the sand: within the first couple of months; the issue asks
    # for tubes by week 12 in most tanks. Found: 0.55 from dry rock, 0.64 from the usual mix.
    "share with worm tubes by week 12, dry rock": (
        lambda: share(0, 12, "sand_worm_tubes", DRY),
        0.5,
        1,
    ),
    "share with worm tubes by week 12": (lambda: share(0, 12, "sand_worm_tubes"), 0.6, 1),
    "first gas bubbles in the sand": (lambda: seen(2, "sand_gas_bubbles"), 4, 12),
    # Pods among the first animals: weeks 4-12, whichever comes first.
    "first pods": (lambda: seen(2, "amphipods", "copepods"), 3, 12),
    # Hair algae: weeks 4-16.
    "first hair algae": (lambda: seen(2, "hair_algae"), 3, 16),
    # Spiral tube worms: months 2-12, for the middle half.
    "first spiral tube worms, lower quartile": (lambda: seen(1, "spirorbid_worms") / MONTH, 2, 12),
    "first spiral tube worms, upper quartile": (lambda: seen(3, "spirorbid_worms") / MONTH, 2, 12),
    # First coralline: months 2-6. Specks that came in with the rock count in practice but
    # not here (the catalogue says so), hence up to two months later.
    "first coralline, months": (lambda: seen(2, "coralline_algae") / MONTH, 1.5, 8),
    # Mature: somewhere between six and eighteen months, for the middle half: the quartiles
    # must lie about there, each within a quarter of its distance. Found: 6.4 and 17.3.
    "months to maturity, lower quartile": (
        lambda: quartile(1, reached(tanks(), 3)) / MONTH,
        4.5,
        8,
    ),
    "months to maturity, upper quartile": (
        lambda: quartile(3, reached(tanks(), 3)) / MONTH,
        13,
        20,
    ),
}


@pytest.mark.parametrize("what", PRACTICE)
def test_time_scales(what: str) -> None:
    measure, low, high = PRACTICE[what]
    assert low <= measure() <= high


def bloom_weeks(simulated: Simulated) -> np.ndarray:
    return reached(simulated, 2) - reached(simulated, 1)


def test_without_water_changes_tanks_stay_longer_in_the_bloom() -> None:
    # Common practice, no source. Found: medians 12 and 20 weeks, more than 26 weeks 0.16 and 0.36.
    kept = bloom_weeks(tanks(water_changes=1.0, events_per_year=0.0))
    left = bloom_weeks(tanks(water_changes=0.0, events_per_year=0.0))
    assert np.median(left) > 1.5 * np.median(kept)
    assert np.mean(left > 26) > 2 * np.mean(kept > 26)


def test_sponges_come_after_spiral_worms_and_coralline_after_the_bloom() -> None:
    # Common practice, no source.
    signs = ("diatoms", "sand_worm_tubes", "spirorbid_worms", "syconoid_sponges")
    order = [seen(2, sign) for sign in signs]
    assert order == sorted(order)
    assert seen(2, "coralline_algae") > seen(2, "hair_algae")


@pytest.mark.parametrize(
    ("kind", "times"),
    # Common practice, no source. Found: 15, 2.5, 1.7, 2.2, 1.46 times the rate without; for
    # overfeeding 1.32 to 1.46 with four other seeds, so its bound is only just met.
    [
        ("crash", 4.0),
        ("deep_clean", 2.0),
        ("sand_disturbed", 1.5),
        ("medication", 1.7),
        ("overfeeding", 1.4),
    ],
)
def test_events_set_tanks_back(kind: str, times: float) -> None:
    """Weekly rate of falling to a lower phase within four weeks of the event, and without."""
    found = tanks(events_per_year=1.5, weeks=80)
    struck = {t: np.zeros(80, bool) for t in found.logbook.tanks}
    for e in found.logbook.events:
        if e.kind == kind:
            week = (e.date - found.logbook.tanks[e.tank].started).days // 7
            struck[e.tank][week : week + 4] = True
    fell, at_risk = np.zeros(2), np.zeros(2)
    for phases, hit in zip(found.phases, struck.values(), strict=True):
        for group in (0, 1):
            here = (phases[:-1] > 0) & (hit[1:] == bool(group))
            at_risk[group] += here.sum()
            fell[group] += (here & (phases[1:] < phases[:-1])).sum()
    assert fell.min() > 100
    rate = fell / at_risk
    assert rate[1] > times * rate[0]


def test_a_crash_is_no_small_thing() -> None:
    """P(a lower phase within four weeks of a logged crash), phases above cycling."""
    found = tanks(events_per_year=1.5, weeks=80)
    phases = dict(zip(found.logbook.tanks, found.phases, strict=True))
    fell = []
    for e in found.logbook.events:
        week = (e.date - found.logbook.tanks[e.tank].started).days // 7
        before, after = max(week - 1, 0), phases[e.tank][week : week + 5]
        if e.kind == "crash" and phases[e.tank][before] > 0 and len(after) == 5:
            fell.append((after < phases[e.tank][before]).any())
    assert len(fell) > 300
    # Common practice, no source: a tank that "crashed" has slipped more often than one in
    # four; some keepers' crashes are scares. Found: 0.62.
    assert 0.25 < np.mean(fell) < 0.7


def test_without_events_slips_are_as_rare_as_the_catalogue_says() -> None:
    # Setbacks and collapses per year in phases 1..3, from the catalogue (elicited); the
    # draws' spread (log sd 0.5) lifts the mean by exp(0.125).
    found = tanks(water_changes=1.0, events_per_year=0.0)
    for k, phase in list(enumerate(load_catalogue().phases.values()))[1:]:
        years = sum((p[:-1] == k).sum() for p in found.phases) * 7 / 365.2425
        falls = sum(((p[:-1] == k) & (p[1:] < k)).sum() for p in found.phases)
        rate = phase.setback_per_year.value + phase.collapse_per_year.value
        assert falls / years == pytest.approx(rate * np.exp(0.125), rel=0.35)
