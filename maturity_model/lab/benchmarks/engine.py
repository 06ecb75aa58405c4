"""Value and gradient of 2,000 series of 60 steps and 12 states, on one thread.

The gradient is that by every log-likelihood and every log hazard. hmmlearn has none: its
C++ forward and backward passes are timed, one series a call as it is built, fed with
likelihoods that are ready. It takes one transition matrix for all steps, the others one
for each step: ours from hazards, dynamax and the plain scan from matrices, whose logarithms
their gradient is by.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from maturity_model.lab.benchmarks import timing
from maturity_model.lab.benchmarks.timing import Timing, in_turn, missing, ratios, verdict

SERIES, STEPS, CHAIN = 2000, 60, (4, 3)
ROW = 5
#: Seconds between turns: threads of JAX go on for a while after a call, and the processor
#: time that they take would count for the next.
REST = 0.3
OURS = "ours, value and gradient"
KEPT = "ours, into arrays of an earlier call"
HMMLEARN = "hmmlearn, forward + backward"
HMMLEARN_LOG = "hmmlearn in logarithms, forward + backward"
DYNAMAX = "dynamax, value and gradient"
SCAN = "plain JAX scan, value and gradient"
#: How many times our time each must take at least.
TARGETS = {HMMLEARN: 6.0, SCAN: 30.0, DYNAMAX: 40.0}


class Data(NamedTuple):
    """The same series for all: (N, ...) for the peers, in lanes for us."""

    initial: Any
    log_hazards: Any
    log_likelihood: Any
    matrices: Any


def data() -> Data:
    from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

    rng = np.random.default_rng(0)
    chain = StagedChain(*CHAIN)
    states = chain.n_states
    log_hazards = rng.normal(-2.0, 1.0, (SERIES, STEPS - 1, 3, chain.n_phases))
    log_likelihood = rng.normal(-3.0, 2.0, (SERIES, STEPS, states))
    initial = rng.dirichlet(np.ones(states), SERIES)
    hazards = np.exp(log_hazards)[..., None]
    moves = move_probabilities(*(hazards[:, :, m] for m in range(3)))[..., 0]
    return Data(initial, log_hazards, log_likelihood, transition_matrices(moves, chain))


def ours(given: Data) -> tuple[dict[str, Callable[[], Any]], float]:
    from maturity_model.fitting.kernels import chain_gradient_4x3
    from maturity_model.fitting.kernels.chain_gradient import (
        from_lanes,
        to_lanes,
        value_and_gradient,
    )

    # In blocks as the pooled fit lays them out.
    arrays = [to_lanes(x, lanes=chain_gradient_4x3.L) for x in given[:3]]
    kept = value_and_gradient(*arrays, CHAIN[1])
    total = float(from_lanes(kept.log_likelihood, SERIES).sum())
    return {
        KEPT: lambda: value_and_gradient(*arrays, CHAIN[1], out=kept),
        OURS: lambda: value_and_gradient(*arrays, CHAIN[1]),
    }, total


def hmmlearn(given: Data) -> dict[str, Callable[[], Any]]:
    from hmmlearn import _hmmc

    top = given.log_likelihood.max(axis=2, keepdims=True)
    likelihood = np.exp(given.log_likelihood - top)
    start, matrix = given.initial[0], np.ascontiguousarray(given.matrices[0, 0])

    def scaled() -> None:
        for series in likelihood:
            _, _, scale = _hmmc.forward_scaling(start, matrix, series)
            _hmmc.backward_scaling(start, matrix, series, scale)

    def logarithms() -> None:
        for series in given.log_likelihood:
            _hmmc.forward_log(start, matrix, series)
            _hmmc.backward_log(start, matrix, series)

    return {HMMLEARN: scaled, HMMLEARN_LOG: logarithms}


def jax_peers(given: Data, total: float, problems: list[str]) -> dict[str, Callable[[], Any]]:
    """Dynamax and a plain scan, compiled, on one thread; both give our log-likelihood."""
    import jax

    jax.config.update("jax_enable_x64", True)
    import jax.numpy as jnp

    initial = jnp.asarray(given.initial)
    with np.errstate(divide="ignore"):
        # No structural zeros: gradients through log(0) would be NaN.
        log_matrices = jnp.asarray(np.log(np.maximum(given.matrices, 1e-300)))
    log_likelihood = jnp.asarray(given.log_likelihood)

    def one_scan(initial: Any, log_matrices: Any, log_likelihood: Any) -> Any:
        def step(carry: Any, at: Any) -> Any:
            state, value = carry
            log_matrix, log_lik = at
            top = log_lik.max()
            state = (state @ jnp.exp(log_matrix)) * jnp.exp(log_lik - top)
            scale = state.sum()
            return (state / scale, value + jnp.log(scale) + top), None

        top = log_likelihood[0].max()
        state = initial * jnp.exp(log_likelihood[0] - top)
        scale = state.sum()
        begin = (state / scale, jnp.log(scale) + top)
        (_, value), _ = jax.lax.scan(step, begin, (log_matrices, log_likelihood[1:]))
        return value

    def runner(one: Callable[..., Any]) -> Callable[[], Any]:
        def whole(log_matrices: Any, log_likelihood: Any) -> Any:
            return jax.vmap(one)(initial, log_matrices, log_likelihood).sum()

        compiled = jax.jit(jax.value_and_grad(whole, argnums=(0, 1)))
        value = float(compiled(log_matrices, log_likelihood)[0])
        if abs(value / total - 1) > 1e-9:
            raise ValueError(f"its log-likelihood {value} is not ours, {total}")
        return lambda: jax.block_until_ready(compiled(log_matrices, log_likelihood))

    out = {SCAN: runner(one_scan)}
    try:
        from dynamax.hidden_markov_model import hmm_filter

        out[DYNAMAX] = runner(lambda i, a, b: hmm_filter(i, jnp.exp(a), b).marginal_loglik)
    except Exception as error:  # Any failure of a peer is reported; the rest goes on.
        problems.append(missing("dynamax", error))
    return out


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    given = data()
    lines: list[str] = []
    things, total = ours(given)
    fast, slow = dict(things), dict(things)
    try:
        peer = hmmlearn(given)
        fast[HMMLEARN], slow[HMMLEARN_LOG] = peer[HMMLEARN], peer[HMMLEARN_LOG]
    except ImportError as error:
        lines.append(missing("hmmlearn", error))
    try:
        slow |= jax_peers(given, total, lines)
    except ImportError as error:
        lines.append(missing("jax and dynamax", error))
    lines += [
        f"{SERIES:,} series x {STEPS} steps x {CHAIN[0] * CHAIN[1]} states, one thread, float64; "
        f"{rounds} rounds in turn, {ROW} calls each, processor time",
    ]
    # Slow peers apart, so that the turns of the fast ones lie close together.
    for group in (fast, slow):
        # Processor time of all threads: turns that other processes take do not count.
        timings = in_turn(group, rounds, time.process_time, row=ROW, rest=REST)
        lines += ["", *table(timings), ""]
        lines += [line for name in TARGETS if name in group for line in targets(timings, name)]
    lines += [
        f"- NOT MEASURED: {name}, target {target:g} times ours."
        for name, target in TARGETS.items()
        if name not in fast and name not in slow
    ]
    return lines


def table(timings: list[Timing]) -> list[str]:
    bases = {"times ours": OURS, "times ours, arrays kept": KEPT}
    return [timing.table(timings, "ns per series-step", 1e9 / (SERIES * STEPS), bases)]


def targets(timings: list[Timing], peer: str) -> list[str]:
    """Of one peer, beside either of ours."""
    lines = []
    for base in (OURS, KEPT):
        ratio, target = ratios(timings, base)[peer], TARGETS[peer]
        said = f"- Target, {peer} at least {target:g} times {base}"
        lines.append(f"{said}: {ratio:.1f}, {verdict(ratio >= target)}.")
    return lines
