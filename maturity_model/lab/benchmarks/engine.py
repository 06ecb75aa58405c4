"""Value and gradient of 2,000 series of 60 steps and 12 states, on one thread.

The gradient is that by every log-likelihood and every log hazard. hmmlearn has no gradient: its
C++ forward and backward passes are timed, one series a call as the library does it, with
likelihoods already exponentiated. It takes one transition matrix for all steps; ours builds one
for each step from hazards.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from maturity_model.lab.benchmarks.timing import in_turn, ratios, timing_table, verdict

SERIES, STEPS, PHASES, STAGES = 2000, 60, 4, 3
CALLS = 5
OURS, HMMLEARN = "ours, value and gradient", "hmmlearn, forward + backward"
#: How many times as long hmmlearn shall take at least.
TARGET = 6.0


class Data(NamedTuple):
    """The same series for both; ``matrix`` is that of the first move of the first series.

    Shapes: ``initial`` (N, S), ``log_hazards`` (N, T-1, 3, K), ``log_likelihood`` (N, T, S),
    ``matrix`` (S, S).
    """

    initial: np.ndarray
    log_hazards: np.ndarray
    log_likelihood: np.ndarray
    matrix: np.ndarray


def simulate() -> Data:
    from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

    rng = np.random.default_rng(0)
    chain = StagedChain(PHASES, STAGES)
    log_hazards = rng.normal(-2.0, 1.0, (SERIES, STEPS - 1, 3, PHASES))
    log_likelihood = rng.normal(-3.0, 2.0, (SERIES, STEPS, chain.n_states))
    initial = rng.dirichlet(np.ones(chain.n_states), SERIES)
    moves = move_probabilities(*np.exp(log_hazards[0, :1].swapaxes(0, 1))[..., None])[..., 0]
    matrix = np.ascontiguousarray(transition_matrices(moves, chain)[0])
    return Data(initial, log_hazards, log_likelihood, matrix)


def ours(data: Data) -> Callable[[], object]:
    from numba import njit

    from maturity_model.fitting.kernels.chain_gradient import block, workspace
    from maturity_model.fitting.kernels.simd_lanes import WIDTH, rows

    @njit
    def all_blocks(initial, log_h, log_lik, work, value, smoothed, d):  # type: ignore[no-untyped-def]
        for b in range(len(value)):
            block(
                PHASES, STAGES, initial[b], log_h[b], log_lik[b], work,
                value[b], smoothed[b], d[b],
            )  # fmt: skip

    def in_lanes(series: np.ndarray) -> np.ndarray:
        # Eight series a block, each block a row, on whole cache lines as in a fit.
        blocks = np.moveaxis(series.reshape(SERIES // WIDTH, WIDTH, -1), 1, 2)
        out = rows.py_func(series.size // WIDTH).reshape(len(blocks), -1)
        out[:] = blocks.reshape(len(blocks), -1)
        return out

    initial, log_h, log_lik = (in_lanes(x) for x in data[:3])
    out = np.empty((len(initial), WIDTH)), in_lanes(data.log_likelihood), in_lanes(data.log_hazards)
    work = workspace(STEPS, PHASES, STAGES)
    return lambda: all_blocks(initial, log_h, log_lik, work, *out)


def hmmlearn(data: Data) -> Callable[[], object]:
    from hmmlearn import _hmmc

    top = data.log_likelihood.max(axis=2, keepdims=True)
    likelihood = np.exp(data.log_likelihood - top)
    start = data.initial[0]

    def run() -> None:
        for series in likelihood:
            _, _, scale = _hmmc.forward_scaling(start, data.matrix, series)
            _hmmc.backward_scaling(start, data.matrix, series, scale)

    return run


def measure(rounds: int) -> str:
    """Part of the page."""
    data = simulate()
    seconds = in_turn({OURS: ours(data), HMMLEARN: hmmlearn(data)}, rounds, calls=CALLS)
    ratio = ratios(seconds, OURS)[HMMLEARN]
    return "\n\n".join(
        [
            f"{SERIES:,} series x {STEPS} steps x {PHASES * STAGES} states, one thread, float64; "
            f"{rounds} rounds in turn, {CALLS} calls each, processor time.",
            timing_table(seconds, OURS, "ns per series-step", 1e9 / (SERIES * STEPS), 0),
            verdict(f"{HMMLEARN} at least {TARGET:g} times {OURS}: {ratio:.1f}", ratio >= TARGET),
        ]
    )
