"""The contenders of :mod:`.sampler`, each run in a process of its own.

``python -m maturity_model.lab.benchmarks.contenders NAME TANKS WEEKS [SEED ...]`` writes a
line of JSON about its gradient and, as soon as it is there, one for each seed that was sampled.
"""

from __future__ import annotations

import argparse
import ctypes
import inspect
import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, NamedTuple
from unittest import mock

import numpy as np

from maturity_model.lab.benchmarks.timing import in_turn

OURS, SCAN, SCAN_JAX, NUMPYRO = "ours", "PyTensor scan", "PyTensor scan by JAX", "numpyro"
#: The scan between our kernels for tables and loads: what the chain alone makes.
BORROWED = "PyTensor scan on our tables"
NAMES = (OURS, SCAN, SCAN_JAX, NUMPYRO, BORROWED)
DRAWS, TUNE, CHAINS, ACCEPT = 300, 300, 2, 0.9
#: Functions of :mod:`.plain_tables` that stand in for those of the same names.
TABLES = ("bernoulli_table", "interval_table", "sum_codes", "event_load")


class Club(NamedTuple):
    """Simulated logs of equal length, their priors, and the pooled model."""

    panel: Any
    priors: Any
    model: Any
    points: list[dict[str, Any]]


def club_of(tanks: int, weeks: int, by_parts: bool = False) -> Club:
    """The same club whoever asks, and two points at which densities are compared."""
    from maturity_model.catalogue import load_catalogue
    from maturity_model.fitting.model import build_model
    from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
    from maturity_model.panel import build_panel
    from maturity_model.population.elicit import elicit_population
    from maturity_model.population.priors import priors_from_catalogue

    catalogue = load_catalogue()
    truth = elicit_population(catalogue, 1.0, n_draws=8, seed=4)
    rng = np.random.default_rng(11)
    book = simulate_logbook(truth, catalogue, tanks, rng, Habits(weeks=weeks), one_draw=True)
    panel, priors = build_panel(book.logbook, catalogue), priors_from_catalogue(catalogue)
    model = build_model(panel, priors, by_parts=by_parts)
    start = model.initial_point()
    points = [
        {k: np.asarray(v + rng.normal(0.0, sd, np.shape(v))) for k, v in start.items()}
        for sd in (0.0, 0.3)
    ]
    return Club(panel, priors, model, points)


@contextmanager
def likelihood_of(name: str) -> Iterator[None]:
    """While a model is built and compiled: the parts of its likelihood by this contender."""
    from maturity_model.fitting.kernels import ops
    from maturity_model.lab.benchmarks import plain_tables

    with ExitStack() as stack:
        if name in (SCAN, SCAN_JAX, BORROWED):
            stack.enter_context(mock.patch.object(ops, "tank_log_likelihood", by_scan))
        for part in TABLES if name in (SCAN, SCAN_JAX) else ():
            stack.enter_context(mock.patch.object(ops, part, getattr(plain_tables, part)))
        yield


def by_scan(
    log_initial: Any, log_hazards: Any, log_lik: Any, first: Any, order: Any, n_stages: int
) -> Any:
    """In the place of :func:`maturity_model.fitting.kernels.ops.tank_log_likelihood`."""
    from maturity_model.lab.benchmarks.symbolic import scan_log_likelihood

    begins = first.get_value()
    n, steps = len(begins) - 1, int(begins[1])
    if (np.diff(begins) != steps).any():
        raise ValueError("the scan is written for logs of equal length")
    phases = 4
    # Moves into the first week are not used.
    hazards = log_hazards.reshape((n, steps, 3, phases))[:, 1:]
    log_lik = log_lik.reshape((n, steps, phases * n_stages))
    return scan_log_likelihood(log_initial, hazards, log_lik, (n, steps, phases, n_stages))


class Ready(NamedTuple):
    """A compiled contender: its density at a point, a run of its gradient, its sampler."""

    value: Callable[[dict[str, Any]], float]
    gradient: Callable[[], Any]
    sample: Callable[[int], tuple[dict[str, Any], dict[str, float]]]


def with_nutpie(club: Club, name: str) -> Ready:
    """Through PyTensor and nutpie, as ``maturity-model fit`` does."""
    import nutpie

    from maturity_model.fitting.sampling import _group

    model = club.model

    if name == SCAN_JAX:
        compiled = nutpie.compile_pymc_model(model, backend="jax")
        function = compiled._make_logp_func()
        shared = compiled._shared_data
        call = lambda x: function(x, **shared)  # noqa: E731
    else:
        compiled = nutpie.compile_pymc_model(model)
        address = compiled.compiled_logp_func.address
        kind = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[ctypes.c_void_p] * 4)
        function = kind(address)
        out, logp = np.empty(compiled.n_dim), np.empty(1)

        def call(x: np.ndarray) -> Any:
            given = (x, out, logp, compiled.user_data)
            if function(len(x), *(a.ctypes.data for a in given)):
                raise ValueError("the density has no value there")
            return float(logp[0]), out

    # Its own order: nutpie freezes a model for JAX, which turns the order round.
    names = {v.name for v in model.value_vars}
    held = [v.name for v in compiled._variables] if name == SCAN_JAX else list(compiled.shapes)
    order = [n for n in held if n in names]

    def flat(point: dict[str, Any]) -> np.ndarray:
        return np.concatenate([np.ravel(point[n]) for n in order])

    def sample(seed: int) -> tuple[dict[str, Any], dict[str, float]]:
        new = "adaptation" in inspect.signature(nutpie.sample).parameters
        more: dict[str, Any] = (
            {"adaptation": "low_rank"} if new else {"low_rank_modified_mass_matrix": True}
        )
        wall, begin = time.perf_counter(), time.process_time()
        trace = nutpie.sample(
            compiled, draws=DRAWS, tune=TUNE, chains=CHAINS, cores=1, seed=seed,
            target_accept=ACCEPT, progress_bar=False, save_warmup=True, **more,
        )  # fmt: skip
        took = {"cpu": time.process_time() - begin, "wall": time.perf_counter() - wall}
        stats = trace["sample_stats"]
        took["kept"] = float(stats["n_steps"].sum())
        took["tuning"] = float(trace["warmup_sample_stats"]["n_steps"].sum())
        took["divergent"] = float(stats["diverging"].sum())
        posterior = _group(trace, "posterior")
        arrays = {n: posterior[n].transpose("chain", "draw", ...).values for n in posterior}
        return arrays, took

    start = flat(club.points[1])
    return Ready(lambda p: float(call(flat(p))[0]), lambda: call(start), sample)


def with_numpyro(club: Club) -> Ready:
    """Its NUTS step by step, so that compilation is apart and every step is counted."""
    import jax
    from numpyro.infer import NUTS
    from numpyro.infer.util import constrain_fn

    from maturity_model.lab.benchmarks.numpyro_model import log_density, of_panel, unconstrained

    model = of_panel(club.panel, club.priors)
    both = jax.jit(jax.value_and_grad(lambda x: log_density(model, x)))
    start = unconstrained(club.points[1])
    kernel = NUTS(model, target_accept_prob=ACCEPT)
    step = jax.jit(lambda state: kernel.sample(state, (), {}))
    named = jax.jit(jax.vmap(lambda z: constrain_fn(model, (), {}, z, return_deterministic=True)))

    def begin(key: Any, jitter: Any) -> Any:
        # Where PyMC's samplers begin: within 1 of the model's own starting point.
        centre = unconstrained(club.points[0])
        at = {k: v + jitter.uniform(-1.0, 1.0, v.shape) for k, v in centre.items()}
        return kernel.init(key, TUNE, at, (), {})

    def compile_sampler() -> None:
        jax.block_until_ready(step(begin(jax.random.PRNGKey(0), np.random.default_rng(0))))

    def sample(seed: int) -> tuple[dict[str, Any], dict[str, float]]:
        compile_sampler()
        took = {"kept": 0.0, "tuning": 0.0, "divergent": 0.0}
        chains = []
        states = [
            begin(key, np.random.default_rng([seed, i]))
            for i, key in enumerate(jax.random.split(jax.random.PRNGKey(seed), CHAINS))
        ]
        wall, cpu = time.perf_counter(), time.process_time()
        for state in states:
            kept = []
            for i in range(TUNE + DRAWS):
                state = step(state)
                kind = "tuning" if i < TUNE else "kept"
                took[kind] += float(state.num_steps)
                if i >= TUNE:
                    took["divergent"] += float(state.diverging)
                    kept.append(state.z)
            chains.append(jax.tree.map(lambda *z: np.stack(z), *kept))
        took |= {"cpu": time.process_time() - cpu, "wall": time.perf_counter() - wall}
        found = [named(z) for z in chains]
        return {n: np.stack([np.asarray(f[n]) for f in found]) for n in found[0]}, took

    return Ready(
        lambda p: float(both(unconstrained(p))[0]),
        lambda: jax.block_until_ready(both(start)),
        sample,
    )


def judge(arrays: dict[str, Any]) -> dict[str, Any]:
    """ArviZ's bulk effective draws and R-hat of the parameters that tanks share."""
    import arviz as az
    import xarray as xr

    from maturity_model.population.types import DIMS

    columns = [
        np.reshape(arrays[name], (*np.shape(arrays[name])[:2], -1))
        for name, dims in DIMS.items()
        if dims[-1] == "draw"
    ]
    draws = np.concatenate(columns, axis=2)
    # Effects that the catalogue rules out are constants.
    draws = draws[:, :, np.ptp(draws, axis=(0, 1)) != 0]
    data = xr.Dataset({"x": (("chain", "draw", "scalar"), draws)})
    ess = az.ess(data, method="bulk")["x"].values
    return {
        "ess": float(ess.min()),
        "r_hat": float(az.rhat(data)["x"].values.max()),
        "scalars": draws.shape[2],
        "mean": draws.mean(axis=(0, 1)).tolist(),
        "error": (draws.std(axis=(0, 1)) / np.sqrt(ess)).tolist(),
    }


def run(name: str, tanks: int, weeks: int, seeds: list[int], rounds: int = 5) -> None:
    """Measure one contender and write what was found."""
    import pytensor

    with likelihood_of(name), pytensor.config.change_flags(mode="NUMBA", cxx=""):
        club = club_of(tanks, weeks, by_parts=name != OURS)
        begin = time.perf_counter()
        ready = with_numpyro(club) if name == NUMPYRO else with_nutpie(club, name)
        values = [ready.value(p) for p in club.points]
        compiled = time.perf_counter() - begin
        (timing,) = in_turn({name: ready.gradient}, rounds, time.process_time, row=100)
        found = {"values": values, "compile": compiled, "gradient": timing.median}
        print(json.dumps(found), flush=True)
        for seed in seeds:
            arrays, took = ready.sample(seed)
            print(json.dumps({"seed": seed, **took, **judge(arrays)}), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m maturity_model.lab.benchmarks.contenders")
    parser.add_argument("name", choices=NAMES)
    parser.add_argument("tanks", type=int)
    parser.add_argument("weeks", type=int)
    parser.add_argument("seeds", type=int, nargs="*")
    options = parser.parse_args()
    run(options.name, options.tanks, options.weeks, options.seeds)


if __name__ == "__main__":
    main()
