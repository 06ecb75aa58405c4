"""The engine against two independent programs, on random chains of the project's size.

hmmlearn 0.3.3 (C++ recursions in logarithms) and dynamax 1.0.3 (JAX, scaled recursions).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hmm.oracle import Model, log_joint, random_model

from maturity_model.hmm.chain import best_path, forward_backward

CLOSE = {"rtol": 1e-8, "atol": 1e-8}
STATES = 12


def models(*, varying: bool) -> list[Model]:
    rng = np.random.default_rng(12 + varying)
    made = [
        random_model(rng, STATES, weeks, varying=varying, zeros=zeros, spread=spread)
        for zeros in (0.0, 0.5, 0.8)
        for spread in (0.3, 3.0)
        for weeks in (2, 60, 400)
    ]
    for weeks in (60, 400):
        # Two states of every week ruled out; with all moves open the data stay possible.
        model = random_model(rng, STATES, weeks, varying=varying)
        model.log_likelihood[:, :2] = -np.inf
        made.append(model)
    return made


@pytest.fixture(scope="module")
def hmmlearn_model(need: Any) -> Any:
    """Build a function that puts a ``Model`` into hmmlearn's own terms."""
    base = need("hmmlearn.base")

    class Table(base.BaseHMM):  # type: ignore[misc, name-defined]
        """Observation t is its own number; its log-likelihoods are looked up."""

        def _check(self) -> None:
            pass

        def _compute_log_likelihood(self, X: Any) -> Any:
            return self.table[X[:, 0].astype(int)]

    def build(model: Model) -> Any:
        other = Table(n_components=len(model.initial), implementation="log")
        other.startprob_ = model.initial
        other.transmat_ = model.transition
        other.table = model.log_likelihood
        return other

    return build


@pytest.mark.parametrize("model", models(varying=False))
def test_hmmlearn(model: Model, hmmlearn_model: Any) -> None:
    other = hmmlearn_model(model)
    weeks = np.arange(len(model.log_likelihood))[:, None]
    log_likelihood, smoothed = other.score_samples(weeks)
    result = forward_backward(*model)
    assert result.log_likelihood == pytest.approx(log_likelihood, rel=1e-8)
    np.testing.assert_allclose(result.smoothed, smoothed, **CLOSE)

    log_probability, path = other.decode(weeks, algorithm="viterbi")
    best = best_path(*model)
    assert best.log_probability == pytest.approx(log_probability, rel=1e-8)
    np.testing.assert_array_equal(best.path, path)


@pytest.fixture(scope="module")
def dynamax(need: Any) -> Any:
    """dynamax's inference functions, in double precision."""
    need("jax").config.update("jax_enable_x64", True)
    return need("dynamax.hidden_markov_model.inference")


@pytest.mark.reference
@pytest.mark.parametrize("varying", [False, True])
def test_dynamax(varying: bool, dynamax: Any) -> None:
    compared = 0
    for model in models(varying=varying):
        other = dynamax.hmm_two_filter_smoother(*model)
        result = forward_backward(*model)
        assert result.log_likelihood == pytest.approx(float(other.marginal_loglik), rel=1e-8)
        np.testing.assert_allclose(result.filtered, other.filtered_probs, **CLOSE)
        np.testing.assert_allclose(result.smoothed, other.smoothed_probs, **CLOSE)

        # Its other smoother takes predicted probabilities below 1e-8 for 0 (an absolute
        # tolerance in its source), which costs up to 1e-5: compared where there are none.
        predicted = np.asarray(other.predicted_probs)
        if not ((predicted > 0) & (predicted <= 1e-8)).any():
            compared += 1
            other = dynamax.hmm_smoother(*model)
            np.testing.assert_allclose(result.smoothed, other.smoothed_probs, **CLOSE)

        path = np.asarray(dynamax.hmm_posterior_mode(*model))
        best = best_path(*model)
        assert best.log_probability == pytest.approx(log_joint(model, path), rel=1e-8)
        np.testing.assert_array_equal(best.path, path)
    assert compared >= 5
