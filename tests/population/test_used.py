"""Ways of pooling that need no sampler."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.panel import build_panel
from maturity_model.population import elicit_population, load_population
from maturity_model.population.priors import hold_emissions, priors_from_catalogue
from maturity_model.population.simulate import Habits, simulate_logbook
from maturity_model.population.types import DIMS, take_draws
from maturity_model.population.used import MOVES, as_used, with_practice_moves

CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)


def test_holding_shrinks_what_phases_show_and_nothing_else() -> None:
    held = hold_emissions(PRIORS, 0.25)
    changed = ("sign_logit_sd", "reading_mean_sd")
    for f in fields(PRIORS):
        before, after = getattr(PRIORS, f.name), getattr(held, f.name)
        factor = 0.25 if f.name in changed else 1.0
        if isinstance(before, np.ndarray):
            np.testing.assert_array_equal(after, factor * before)
        else:
            assert after == before
    with pytest.raises(ValueError, match="above 0"):
        hold_emissions(PRIORS, 0.0)


def test_moves_of_practice_leave_what_phases_show() -> None:
    fitted = elicit_population(CATALOGUE, 0.4, n_draws=600, seed=99)
    fitted = take_draws(fitted, np.zeros(600, dtype=np.int64))
    found = with_practice_moves(fitted, CATALOGUE)
    for name in DIMS:
        same = np.array_equal(getattr(found, name), getattr(fitted, name))
        assert same == (name not in MOVES), name
    # The fit's draws are all alike; practice's are spread as the priors say.
    spread = found.log_advance.std(axis=1)
    np.testing.assert_allclose(spread, PRIORS.log_advance_sd, rtol=0.15)


@pytest.mark.parametrize("moves", [False, True])
@pytest.mark.parametrize("choose", [False, True])
def test_the_file_says_what_was_chosen(moves: bool, choose: bool) -> None:
    truth = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=4)
    rng = np.random.default_rng(4)
    habits = Habits(weeks=20, sign_effect_sd=1.8)
    book = simulate_logbook(truth, CATALOGUE, 12, rng, habits, one_draw=True).logbook
    panel = build_panel(book, CATALOGUE)
    fitted = take_draws(load_population(), np.arange(24))
    used = as_used(fitted, panel, choose=choose, practice_moves=moves)
    assert used.provenance["fit_evidence_weight"] == f"{fitted.evidence_weight:g}"
    assert used.provenance["weekly_evidence_weight"] == f"{used.evidence_weight:g}"
    assert used.provenance["moves"] == ("practice" if moves else "learned")
    assert ("sign_shift_variance" in used.provenance) == choose
    assert np.array_equal(used.log_advance, fitted.log_advance) != moves
    if not choose:
        assert used.evidence_weight == fitted.evidence_weight
