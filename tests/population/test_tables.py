"""Tables of likelihoods: chances of all that may be logged sum to 1, and powers of them.

Each number is compared with the slow model's in ``tests/assessment/test_assess.py``, and so are
the hazards.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from small_logs import START, look, make_log, reading

from maturity_model.logbook import CheckIn, Tank
from maturity_model.panel import Panel, build_panel
from maturity_model.population import Population, load_population
from maturity_model.population.tables import judgement_table, reading_table, sign_table

SKILL = np.array([-1.0, 0.3])


@pytest.fixture(scope="module")
def population() -> Population:
    return load_population()


def panel_of(*checkins: CheckIn) -> Panel:
    return build_panel(make_log([Tank("a", START, keeper="k", rock="dry")], checkins))


@pytest.mark.parametrize("before", ["", "diatoms=y", "diatoms=n"])
def test_seen_and_not_seen_sum_to_one(population: Population, before: str) -> None:
    panels = [panel_of(look(0, before), look(7, f"diatoms={answer}")) for answer in "yn"]
    tables = [sign_table(p, population, SKILL, 1.0)[p.signs.code[-1]] for p in panels]
    np.testing.assert_allclose(sum(tables), 1, rtol=0, atol=1e-14)


@pytest.mark.parametrize("before", [False, True], ids=["the first reading", "after another"])
def test_the_intervals_of_a_chart_sum_to_one(population: Population, before: bool) -> None:
    edges = [0, 0.125, 0.375, 0.75, 1.5, math.inf]
    steps = [reading(a, b, a) for a, b in itertools.pairwise(edges)]
    earlier = [look(0, readings={"ammonia": steps[1]})] if before else []
    panels = [panel_of(*earlier, look(14, readings={"ammonia": step})) for step in steps]
    tables = [reading_table(p, population, 1.0)[p.readings.code[-1]] for p in panels]
    np.testing.assert_allclose(sum(tables), 1, rtol=0, atol=1e-14)


@pytest.mark.parametrize("before", [None, "bloom"])
def test_the_chances_of_all_judgements_sum_to_one(
    population: Population, before: str | None
) -> None:
    panels = [
        panel_of(look(0, judged_phase=before), look(7, judged_phase=named))
        for named in population.phases
    ]
    tables = [judgement_table(p, population, 1.0)[p.judgements.code[-1]] for p in panels]
    np.testing.assert_allclose(sum(tables), 1, rtol=0, atol=1e-14)


def test_ph_and_the_like_say_nothing_of_the_phase(population: Population) -> None:
    panel = panel_of(look(0, readings={"ph": reading(8.0, 8.2, 8.1)}))
    assert reading_table(panel, population, 1.0).shape == (0, 12, 256)


def test_the_evidence_weight_is_a_power(population: Population) -> None:
    panel = panel_of(
        look(0, "diatoms=y amphipods=n", judged_phase="bloom"),
        look(7, "diatoms=y", readings={"nitrite": reading(0.1, 0.4, 0.25)}),
    )
    for make in (
        lambda w: sign_table(panel, population, SKILL, w),
        lambda w: reading_table(panel, population, w),
        lambda w: judgement_table(panel, population, w),
    ):
        np.testing.assert_allclose(make(0.3), make(1.0) ** 0.3, rtol=1e-12)
        assert (make(0.0) == 1.0).all()
