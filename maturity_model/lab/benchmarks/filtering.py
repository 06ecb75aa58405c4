"""The filter of one tank over 60 weeks under 4,500 members: 300 draws at 15 nodes.

Ours is timed twice: the recursion alone, and with what makes it an answer (nodes mixed,
draws weighed by Pareto-smoothed importance sampling). hmmlearn's C++ forward pass is called
once a member, fed with likelihoods that are ready; it gets one transition matrix a member
for all weeks, ours one for each week.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from maturity_model.lab.benchmarks.timing import in_turn, missing, table, verdict

DRAWS, PACE, SKILL, WEEKS = 300, 5, 3, 60
#: Milliseconds, whole filter.
LIMIT = 30.0
OURS, KERNEL = "ours, filtered and weighed", "ours, the recursion alone"
HMMLEARN = "hmmlearn, forward"


def _things(lines: list[str]) -> dict[str, Callable[[], Any]]:
    from maturity_model.hmm import native
    from maturity_model.hmm.mixture import filter_mixture
    from maturity_model.hmm.quadrature import normal_nodes
    from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

    rng = np.random.default_rng(0)
    chain = StagedChain(4, 3)
    states = chain.n_states
    hazards = np.exp(rng.normal(-2.5, 0.5, (3, WEEKS - 1, 4, PACE * DRAWS)))
    moves = move_probabilities(*hazards)
    by_node = moves.reshape(WEEKS - 1, chain.n_moves, PACE, DRAWS)
    emission = np.exp(rng.normal(-2.0, 1.0, (WEEKS, states, SKILL, 1)))
    emission = emission * np.exp(rng.normal(0.0, 0.1, (WEEKS, states, SKILL, DRAWS)))
    initial = rng.dirichlet(np.ones(states), DRAWS).T.copy()
    start = np.tile(initial, (PACE, SKILL, 1, 1))
    prior = np.outer(normal_nodes(PACE)[1], normal_nodes(SKILL)[1])
    filtered = np.empty((PACE, SKILL, WEEKS, states, DRAWS))
    scale, mass = np.empty((PACE, SKILL, WEEKS, DRAWS)), np.zeros((4, DRAWS))
    out: dict[str, Callable[[], Any]] = {
        OURS: lambda: filter_mixture(chain, initial, by_node, emission, prior),
        KERNEL: lambda: native.filter_lanes(start, by_node, emission, 4, 3, filtered, scale, mass),
    }
    # Members of the peer: (draw, pace, skill); the first week's matrix for all weeks.
    matrices = transition_matrices(by_node[0].reshape(chain.n_moves, -1).T, chain)
    matrices = np.repeat(np.ascontiguousarray(matrices), SKILL, axis=0)
    likelihood = np.moveaxis(emission, (3, 2), (0, 1))[None].repeat(PACE, axis=0)
    likelihood = np.ascontiguousarray(likelihood).reshape(-1, WEEKS, states)
    starts = np.tile(np.repeat(initial.T, SKILL, axis=0), (PACE, 1))
    try:
        from hmmlearn import _hmmc

        def forward() -> None:
            for start, matrix, one in zip(starts, matrices, likelihood, strict=True):
                _hmmc.forward_scaling(start, matrix, one)

        out[HMMLEARN] = forward
    except ImportError as error:
        lines.append(missing("hmmlearn", error))
    return out


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    members = DRAWS * PACE * SKILL
    lines = [
        f"{members:,} members x {WEEKS} weeks x 12 states, one thread, float64, warm; {rounds} "
        "rounds in turn, processor time",
        "",
    ]
    timings = in_turn(_things(lines), rounds, time.process_time)
    ours = next(t for t in timings if t.name == OURS).median * 1e3
    return [
        *lines,
        table(timings, "ms", 1e3, {"times ours": OURS}, digits=1),
        "",
        f"- Target, {OURS}, at most {LIMIT:g} ms: {ours:.1f} ms, {verdict(ours <= LIMIT)}.",
    ]
