"""The kernel that filters without some observations, at its edges.

Its answers are compared with the enumeration of all paths in
``tests/assessment/test_weight_of_evidence.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from hmm.lane_models import Lanes, random_lanes

from maturity_model._typing import Floats
from maturity_model.hmm import native
from maturity_model.hmm.mixture import filter_mixture
from maturity_model.hmm.staged import StagedChain


def with_nothing_left_out(lanes: Lanes) -> tuple[Floats, Floats]:
    """P(state now | lane), shape (P, Q, S, D), and the log-likelihood of each lane."""
    p, q, weeks, s, d = lanes.sizes
    states, log_l = np.full((p, q, s, d), np.nan), np.full((p, q, d), np.nan)
    nothing = np.zeros(weeks + 1, dtype=np.int64), np.zeros(0, dtype=np.int64), lanes.emission[:1]
    native.filter_without(
        lanes.initial, lanes.moves, lanes.emission, *nothing, 0, *lanes.chain, states, log_l,
        np.full((q + 2, s, d), np.nan),
    )  # fmt: skip
    return states, log_l


@pytest.mark.parametrize("size", [1.0, 1e-12, 1e-200, 1e40])
def test_it_scales_when_it_must(size: float) -> None:
    lanes = random_lanes(5, StagedChain(3, 2), 40, nodes=(2, 2), draws=9)
    lanes.emission[:] *= size
    states, log_l = with_nothing_left_out(lanes)
    found = filter_mixture(*lanes)
    np.testing.assert_allclose(states, found.filtered[:, :, -1], rtol=1e-12)
    np.testing.assert_allclose(log_l, found.lane_log_likelihood[:, :, -1], rtol=1e-12, atol=1e-12)


def test_impossible_data_have_no_state() -> None:
    lanes = random_lanes(3, StagedChain(2, 1), 4, nodes=(2, 2))
    lanes.emission[1, :, :, 0] = 0.0
    states, log_l = with_nothing_left_out(lanes)
    assert (log_l[:, :, 0] <= -1e300).all()
    assert (states[:, :, :, 0] == 0).all()
    np.testing.assert_allclose(states[:, :, :, 1:].sum(axis=2), 1.0, rtol=1e-12)
