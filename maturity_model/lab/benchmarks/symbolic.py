"""Value and gradient by symbolic tools, on the series of :mod:`.engine`.

* PyTensor scan: the staged chain as a scan over steps, series side by side, in scaled
  probabilities; ``pytensor.grad`` by every log-likelihood and every log hazard. Compiled by
  each of PyTensor's linkers; the quickest counts.
* pymc-extras: its marginalised ``DiscreteMarkovChain``, in logarithms, with one transition
  matrix for all steps and series, which it demands, and normal observations; the gradient is
  by that matrix and the states' 12 means alone. It is not our likelihood: its log-likelihood
  is checked against a plain forward pass.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from maturity_model.lab.benchmarks import engine
from maturity_model.lab.benchmarks.timing import in_turn, missing, ratios

SCAN = "PyTensor scan, value and gradient, {}"
EXTRAS = "pymc-extras marginalised chain, value and gradient, {}"
#: What each linker is called in PyTensor.
LINKERS = {"JAX": "JAX", "C": "FAST_RUN", "numba": "NUMBA"}
TARGET = 50.0


def routes(n_phases: int, n_stages: int) -> np.ndarray:
    """Where a state's four moves (stay, advance, setback, collapse) lead, shape (4 S, S)."""
    states = n_phases * n_stages
    route = np.zeros((4, states, states))
    for j in range(states):
        route[0, j, j] = 1
        route[1, j, min(j + 1, states - 1)] = 1
        route[2, j, max(j // n_stages - 1, 0) * n_stages] = 1
        route[3, j, 0] = 1
    return route.reshape(-1, states)


def scan_log_likelihood(
    log_initial: Any, log_hazards: Any, log_lik: Any, shape: tuple[int, int, int, int]
) -> Any:
    """Log-likelihood of N series of equal length by PyTensor's scan, in scaled probabilities.

    In logarithms, with structural zeros, its gradient would be NaN.

    Parameters
    ----------
    log_initial : tensor, shape (N, S)
    log_hazards : tensor, shape (N, T-1, 3, K)
        Log hazards of advance, setback and collapse on the move from t to t+1; below the
        first phase there is nothing, whatever they say.
    log_lik : tensor, shape (N, T, S)
    shape : tuple of int
        N, T, K and stages of a phase; known, because JAX wants to know them.

    Returns
    -------
    tensor, shape (N,)
    """
    import pytensor
    import pytensor.tensor as pt

    n, steps, phases, n_stages = shape
    states = phases * n_stages
    route = routes(phases, n_stages)
    able = np.ones((3, states))
    able[0, -1] = able[1:, :n_stages] = 0.0
    spread = np.repeat(np.eye(phases), n_stages, axis=1)
    hazard = pt.exp(log_hazards).dimshuffle(1, 0, 2, 3)
    h = pt.dot(hazard.reshape((-1, phases)), spread).reshape((steps - 1, n, 3, states)) * able
    total = h.sum(axis=2)
    share = -pt.expm1(-total) / total
    weights = pt.concatenate([pt.exp(-total)[:, :, None], h * share[:, :, None]], axis=2).reshape(
        (steps - 1, n, 4 * states)
    )
    log_lik = log_lik.dimshuffle(1, 0, 2)
    top = log_lik.max(axis=2, keepdims=True)
    emission = pt.specify_shape(pt.exp(log_lik - top), (steps, n, states))

    def scaled(joint: Any) -> Any:
        scale = joint.sum(axis=1, keepdims=True)
        return joint / scale, pt.log(scale)[:, 0]

    def step(weights: Any, emission: Any, alpha: Any) -> Any:
        moved = pt.dot(pt.concatenate([alpha] * 4, axis=1) * weights, route)
        return scaled(moved * emission)

    alpha, value = scaled(pt.exp(log_initial) * emission[0])
    alpha = pt.specify_shape(alpha, (n, states))
    _, values = pytensor.scan(
        step, [weights, emission[1:]], [alpha, None], n_steps=steps - 1, return_updates=False
    )
    return value + values.sum(axis=0) + top.sum(axis=(0, 2))


def compiled(inputs: list[Any], value: Any, linker: str) -> Callable[..., Any]:
    """Value and gradient by ``inputs``, ready when the function returns."""
    import pytensor

    outputs = [value, *pytensor.grad(value, inputs)]
    with warnings.catch_warnings():
        # What PyTensor says of the linker's own limits.
        warnings.simplefilter("ignore")
        function = pytensor.function(inputs, outputs, mode=LINKERS[linker])
    function.trust_input = True
    if linker != "JAX":
        return function
    import jax

    return lambda *x: jax.block_until_ready(function(*x))


def checked(run: Callable[[], Any], expected: float) -> Callable[[], Any]:
    """Compile and compare the log-likelihood."""
    value = float(run()[0])
    # "not <=" also catches what is not a number.
    if not abs(value / expected - 1) <= 1e-9:
        raise ValueError(f"its log-likelihood is {value}, not {expected}")
    return run


def scan_peer(given: engine.Data, total: float, linker: str) -> Callable[[], Any]:
    """The scan over the engine's series."""
    import pytensor.tensor as pt

    # With known shapes: JAX demands them.
    hazards, lik = (
        pt.tensor(name, dtype="float64", shape=x.shape)
        for name, x in (("hazards", given.log_hazards), ("lik", given.log_likelihood))
    )
    shape = (*given.log_likelihood.shape[:2], *engine.CHAIN)
    value = scan_log_likelihood(np.log(given.initial), hazards, lik, shape).sum()
    function = compiled([hazards, lik], value, linker)
    return checked(lambda: function(given.log_hazards, given.log_likelihood), total)


def forward(initial: Any, matrix: Any, log_lik: Any) -> float:
    """Log-likelihood of (N, T, S) under one matrix, summed: what the chain is held against."""
    alpha, value = np.broadcast_to(initial, log_lik[:, 0].shape), 0.0
    for t in range(log_lik.shape[1]):
        joint = (alpha if t == 0 else alpha @ matrix) * np.exp(log_lik[:, t])
        scale = joint.sum(axis=1, keepdims=True)
        alpha, value = joint / scale, value + float(np.log(scale).sum())
    return value


def extras_peer(series: int, steps: int, states: int, linker: str) -> Callable[[], Any]:
    """The marginalised chain of pymc-extras on series of its own."""
    import pymc as pm
    import pymc_extras as pmx

    rng = np.random.default_rng(0)
    matrix, start = rng.dirichlet(np.ones(states), states), rng.dirichlet(np.ones(states))
    means, seen = np.linspace(-2.0, 2.0, states), rng.normal(0.0, 1.5, (series, steps))
    with pm.Model() as model, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logits, mean = pm.Flat("logits", shape=matrix.shape), pm.Flat("mean", shape=states)
        first = pm.Categorical.dist(p=start, shape=(series, 1))
        state = pmx.DiscreteMarkovChain(
            "state", P=pm.math.softmax(logits, axis=-1), init_dist=first, shape=(series, steps)
        )
        pm.Normal("seen", mean[state], 1.0, observed=seen)
        alone = pmx.marginalize(model, [state])
        function = compiled(alone.value_vars, alone.logp(), linker)
    values = {"logits": np.log(matrix), "mean": means}
    x = [values[v.name] for v in alone.value_vars]
    log_lik = -0.5 * (seen[..., None] - means) ** 2 - 0.5 * np.log(2 * np.pi)
    return checked(lambda: function(*x), forward(start, matrix, log_lik))


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    given = engine.data()
    things, total = engine.ours(given)
    lines: list[str] = []
    took: list[str] = []
    size = (engine.SERIES, engine.STEPS, engine.CHAIN[0] * engine.CHAIN[1])
    for linker in LINKERS:
        makers: dict[str, Callable[[], Any]] = {
            SCAN: lambda linker=linker: scan_peer(given, total, linker),
            EXTRAS: lambda linker=linker: extras_peer(*size, linker),
        }
        for name, make in makers.items():
            name = name.format(linker)
            begin = time.perf_counter()
            try:
                things[name] = make()
                took.append(f"{name} {time.perf_counter() - begin:.0f} s")
            except Exception as error:  # Any failure of a peer is told, and the rest goes on.
                lines.append(missing(name, error))
    lines += [
        f"{size[0]:,} series x {size[1]} steps x {size[2]} states, one thread, float64; "
        f"{rounds} rounds in turn, {engine.ROW} calls each, processor time",
        "",
        "Compilation, wall: " + "; ".join(took) + ".",
        "",
    ]
    # As in :mod:`.engine`: after the turn of another, memory is asked for anew.
    timings = in_turn(things, rounds, time.process_time, row=engine.ROW)
    lines += [*engine.table(timings), ""]
    for base in (engine.OURS, engine.KEPT):
        times = ratios(timings, base)
        scans = [t for n, t in times.items() if n in {SCAN.format(x) for x in LINKERS}]
        verdict = "NOT MEASURED"
        if scans:
            verdict = f"{min(scans):.1f}, {'met' if min(scans) >= TARGET else 'NOT MET'}"
        said = f"PyTensor scan by its quickest linker at least {TARGET:g} times {base}"
        lines.append(f"- Target, {said}: {verdict}.")
    return lines
