"""A pooled fit beside the same model by general tools: effective draws and gradients a second.

All sample the same posterior by NUTS, with the same draws, tuning and target acceptance, two
chains at a time on two cores, each contender in a process of its own:

* ours: what ``maturity-model fit`` does (nutpie, compiled Op with its gradient);
* PyTensor scan: the same PyMC model and nutpie, the chain's likelihood as a scan over weeks,
  which PyTensor differentiates. It keeps our quick tables, which is in its favour;
* numpyro: the same PyMC model through PyMC's JAX path, the chain as a JAX scan that JAX
  differentiates.

Compilation is left out and told apart.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[1]
OURS, SCAN, NUMPYRO = "ours", "PyTensor scan", "numpyro"
NAMES = (OURS, SCAN, NUMPYRO)
#: Tanks and weeks of the pool that is sampled, and of the demo's.
SMALL, DEMO = (8, 30), (40, 60)
DRAWS, TUNE, CHAINS, ACCEPT = 400, 400, 2, 0.9
TARGET = 10.0


def model_of(tanks: int, weeks: int) -> Any:
    """The pooled model of a simulated pool, equally long logs."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.panel import build_panel
    from maturity_model.population.elicit import elicit_population
    from maturity_model.population.model import build_model
    from maturity_model.population.simulate import Habits, simulate_logbook

    catalogue = load_catalogue()
    truth = elicit_population(catalogue, 1.0, n_draws=8, seed=4)
    rng = np.random.default_rng(11)
    book = simulate_logbook(truth, catalogue, tanks, rng, Habits(weeks=weeks), one_draw=True)
    return build_model(build_panel(book.logbook, catalogue))


def scan_log_likelihood(
    log_initial: Any, log_hazards: Any, log_lik: Any, first: Any, order: Any, n_stages: int
) -> Any:
    """Log-likelihood of tanks of equal length by PyTensor's scan, in scaled probabilities.

    In logarithms, with structural zeros, its gradient would be NaN.
    """
    import pytensor
    import pytensor.tensor as pt

    phases = 4
    states = phases * n_stages
    # A state's weights (stay, advance, setback, collapse) to the states that they lead to.
    route = np.zeros((4, states, states))
    for j in range(states):
        route[0, j, j] = 1
        route[1, j, min(j + 1, states - 1)] = 1
        route[2, j, max(j // n_stages - 1, 0) * n_stages] = 1
        route[3, j, 0] = 1
    n = log_initial.shape[0]
    able = np.ones((3, states))
    able[0, -1] = 0.0
    h = pt.repeat(pt.exp(log_hazards), n_stages, axis=2).reshape((n, -1, 3, states)) * able
    total = h.sum(axis=2)
    share = -pt.expm1(-total) / total
    moves = [pt.exp(-total), *(h[:, :, m] * share for m in range(3))]
    weights = pt.concatenate(moves, axis=2).dimshuffle(1, 0, 2)
    log_lik = log_lik.reshape((n, -1, states)).dimshuffle(1, 0, 2)
    top = log_lik.max(axis=2, keepdims=True)
    emission = pt.exp(log_lik - top)

    def scaled(joint: Any) -> Any:
        scale = joint.sum(axis=1, keepdims=True)
        return joint / scale, pt.log(scale)[:, 0]

    def step(weights: Any, emission: Any, alpha: Any, value: Any) -> Any:
        moved = pt.dot(pt.concatenate([alpha] * 4, axis=1) * weights, route.reshape(-1, states))
        alpha, more = scaled(moved * emission)
        return alpha, value + more

    alpha, value = scaled(pt.exp(log_initial) * emission[0])
    (_, values), _ = pytensor.scan(step, [weights[1:], emission[1:]], [alpha, value])
    return values[-1] + top.sum(axis=(0, 2))


def use_plain_scan_in_jax() -> None:
    """Let PyTensor's JAX linker take a scan for the chain that JAX differentiates itself."""
    from pytensor.link.jax.dispatch.basic import jax_funcify

    from maturity_model.hmm import jax_chain
    from maturity_model.population import jax_ops, op
    from maturity_model.population.jax_likelihood import Lanes

    @jax_funcify.register(op.TankLogLikelihood)
    def tanks(op: Any, node: Any, storage_map: Any = None, **kwargs: Any) -> Any:
        lanes = Lanes.of(jax_ops._known(node.inputs[3], storage_map, "rows"))
        stages = int(jax_ops._known(node.inputs[5], storage_map, "stages"))

        def value(initial: Any, hazards: Any, log_lik: Any, *rest: Any) -> Any:
            # No infinite numbers: JAX's derivative would be NaN.
            h = jax_chain.jnp.maximum(lanes.spread(hazards, -600.0)[1:], -600.0)
            found = jax_chain._forward(initial.T, h, lanes.spread(log_lik, 0.0), stages)[0]
            return found, found, found

        return value


def gradients_per_second(model: Any, name: str) -> tuple[float, float, float]:
    """Rate of value-and-gradient of the whole model, seconds to compile, log-density."""
    import pytensor

    point = model.initial_point()
    x = [np.asarray(point[v.name]) for v in model.value_vars]
    begin = time.perf_counter()
    if name == NUMPYRO:
        import jax
        from pymc.sampling.jax import get_jaxified_logp

        density = get_jaxified_logp(model)
        compiled = jax.jit(jax.value_and_grad(lambda x: density(x)))
        run = lambda: jax.block_until_ready(compiled(x))  # noqa: E731
        # Not the potential, whatever the argument is called: its default sign is plus.
        value = float(run()[0])
    else:
        both = model.logp()
        function = pytensor.function(
            model.value_vars, [both, *pytensor.grad(both, model.value_vars)], mode="NUMBA"
        )
        function.trust_input = True
        run = lambda: function(*x)  # noqa: E731
        value = float(run()[0])
    took = time.perf_counter() - begin
    times = []
    for _ in range(5):
        begin, calls = time.perf_counter(), 0
        while time.perf_counter() - begin < 0.6:
            run()
            calls += 1
        times.append((time.perf_counter() - begin) / calls)
    return 1 / float(np.median(times)), took, value


def effective(posterior: Any, stats: Any) -> dict[str, float]:
    """Least effective number of draws, and what else says whether a fit may be judged."""
    from maturity_model.population.diagnostics import diagnose

    worst = diagnose(posterior, stats).worst()
    return {"ess": worst["ess_bulk"], "r_hat": worst["r_hat"]}


def sample_by_nutpie(model: Any) -> dict[str, float]:
    import nutpie

    begin = time.perf_counter()
    compiled = nutpie.compile_pymc_model(model)
    built = time.perf_counter() - begin
    import inspect

    new = "adaptation" in inspect.signature(nutpie.sample).parameters
    more: dict[str, Any] = (
        {"adaptation": "low_rank"} if new else {"low_rank_modified_mass_matrix": True}
    )
    begin = time.perf_counter()
    trace = nutpie.sample(
        compiled, draws=DRAWS, tune=TUNE, chains=CHAINS, cores=CHAINS, seed=1,
        target_accept=ACCEPT, progress_bar=False, save_warmup=True, **more,
    )  # fmt: skip
    took = time.perf_counter() - begin
    steps = float(trace["sample_stats"]["n_steps"].sum())
    tuning = float(trace["warmup_sample_stats"]["n_steps"].sum())
    from maturity_model.population.sampling import _group

    found = effective(_group(trace, "posterior"), _group(trace, "sample_stats"))
    return {"compile": built, "seconds": took, "kept": steps, "gradients": steps + tuning, **found}


def sample_by_numpyro(model: Any) -> dict[str, float]:
    """Through PyMC, twice: what the first run compiles is taken off by a run of few draws."""
    from pymc.sampling.jax import sample_numpyro_nuts

    from maturity_model.population.sampling import _group

    def run(draws: int, tune: int) -> tuple[Any, float]:
        begin = time.perf_counter()
        with model:
            trace = sample_numpyro_nuts(
                draws=draws, tune=tune, chains=CHAINS, target_accept=ACCEPT, random_seed=1,
                progressbar=False, chain_method="parallel", compute_convergence_checks=False,
            )  # fmt: skip
        return trace, time.perf_counter() - begin

    # Of a run of ten draws nearly all is compilation.
    built = run(5, 5)[1]
    trace, took = run(DRAWS, TUNE)
    stats = _group(trace, "sample_stats")
    steps = float(stats["n_steps"].sum())
    found = effective(_group(trace, "posterior"), stats)
    # Its tuning steps are not told; as many a draw as later are assumed.
    return {
        "compile": built, "seconds": took - built, "kept": steps,
        "gradients": steps * (1 + TUNE / DRAWS), **found,
    }  # fmt: skip


def contender(name: str, part: str, tanks: int, weeks: int) -> dict[str, float]:
    """One contender's numbers; runs in a process of its own."""
    from unittest import mock

    import pytensor

    from maturity_model.population import op

    likelihood = scan_log_likelihood if name == SCAN else op.tank_log_likelihood
    if name == NUMPYRO:
        use_plain_scan_in_jax()
    with (
        mock.patch.object(op, "tank_log_likelihood", likelihood),
        pytensor.config.change_flags(mode="NUMBA", cxx=""),
    ):
        model = model_of(tanks, weeks)
        if part == "gradient":
            rate, built, value = gradients_per_second(model, name)
            return {"rate": rate, "compile": built, "value": value}
        return sample_by_numpyro(model) if name == NUMPYRO else sample_by_nutpie(model)


def process(name: str, part: str, size: tuple[int, int]) -> dict[str, float]:
    free = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    free["XLA_FLAGS"] = f"--xla_force_host_platform_device_count={CHAINS}"
    command = [sys.executable, "-m", "benchmarks.sampler", name, part, *map(str, size)]

    def every_core() -> None:
        # The other benchmarks keep to one.
        os.sched_setaffinity(0, range(os.cpu_count() or 1))

    done = subprocess.run(
        command, cwd=ROOT, env=free, capture_output=True, text=True, preexec_fn=every_core
    )
    if done.returncode != 0:
        raise RuntimeError(f"{name}: {done.stderr.strip().splitlines()[-1:]}")
    return dict(json.loads(done.stdout.strip().splitlines()[-1]))


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    lines = [
        f"Sampled: {SMALL[0]} tanks x {SMALL[1]} weeks; {CHAINS} chains of {TUNE} + {DRAWS} "
        f"draws, target acceptance {ACCEPT}; wall time without compilation",
        "",
        "| | min ESS | min ESS per s | min ESS per 1,000 gradients | gradients per s "
        "| largest R-hat | compilation, s |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    rate: dict[str, float] = {}
    for name in NAMES:
        try:
            r = process(name, "sample", SMALL)
        except RuntimeError as error:
            lines.append(f"| {name} | not measured: {error} ||||||")
            continue
        rate[name] = r["ess"] / r["seconds"]
        lines.append(
            f"| {name} | {r['ess']:.0f} | {rate[name]:.2f} | {r['ess'] / r['kept'] * 1e3:.1f} "
            f"| {r['gradients'] / r['seconds']:,.0f} | {r['r_hat']:.3f} | {r['compile']:.0f} |"
        )
    lines += ["", f"Value and gradient of the whole model, {DEMO[0]} tanks x {DEMO[1]} weeks", ""]
    lines += ["| | per s | ours is faster by | compilation, s |", "|---|---:|---:|---:|"]
    values, speed = [], dict[str, float]()
    for name in NAMES:
        try:
            r = process(name, "gradient", DEMO)
        except RuntimeError as error:
            lines.append(f"| {name} | not measured: {error} |||")
            continue
        values.append(r["value"])
        speed[name] = r["rate"]
        times = speed.get(OURS, np.nan) / r["rate"]
        lines.append(f"| {name} | {r['rate']:,.0f} | {times:.1f} | {r['compile']:.0f} |")
    if np.ptp(values) > 1e-6 * abs(values[0]):
        raise ValueError(f"the contenders' densities differ: {values}")
    others = [rate[n] for n in (SCAN, NUMPYRO) if n in rate]
    if OURS in rate and len(others) == 2:
        times = rate[OURS] / max(others)
        verdict = f"{times:.1f}, {'met' if times >= TARGET else 'NOT MET'}"
    else:
        verdict = "NOT MEASURED"
    lines += ["", f"Target, min ESS per s at least {TARGET:g} times the better other: {verdict}."]
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.sampler")
    parser.add_argument("name", choices=NAMES)
    parser.add_argument("part", choices=("sample", "gradient"))
    parser.add_argument("tanks", type=int)
    parser.add_argument("weeks", type=int)
    options = parser.parse_args()
    print(json.dumps(contender(options.name, options.part, options.tanks, options.weeks)))


if __name__ == "__main__":
    main()
