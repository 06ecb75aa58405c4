"""A tank that has ended has scores up to its end, and no later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from small_logs import START, day, look, make_log

from maturity_model.logbook import Tank
from maturity_model.population import load_population
from maturity_model.population.types import take_draws
from maturity_model.scoring.tanks import score_tanks


def test_scores_stop_at_the_end() -> None:
    population = take_draws(load_population(), np.arange(8))
    looks = [look(3, "diatoms=y"), look(17, "diatoms=y"), look(60, "diatoms=y", tank="b")]
    running = make_log([Tank("a", START), Tank("b", START)], looks)
    tanks = {**running.tanks, "a": Tank("a", START, ended=day(18))}
    ended = replace(running, tanks=tanks)
    a, b = score_tanks(ended, population, 0.5, day(60))
    assert a.day.tolist() == [6, 13, 18]
    whole, other = score_tanks(running, population, 0.5, day(60))
    np.testing.assert_allclose(a.values, whole.values[:3], rtol=0, atol=1e-12)
    np.testing.assert_allclose(b.values, other.values, rtol=0, atol=1e-12)
