"""The contenders of :mod:`.sampler`, each run in a separate process.

``python -m maturity_model.lab.benchmarks.contenders NAME TANKS WEEKS SEED ...`` writes a line of
JSON about its gradient, and one about each seed as soon as it is sampled.
"""

from __future__ import annotations

import ctypes
import json
import sys
import time
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from maturity_model.lab.benchmarks.timing import in_turn

OURS, SCAN = "ours", "PyTensor scan"
DRAWS, TUNE, CHAINS, ACCEPT = 300, 300, 2, 0.9
#: Gradients in a row, and how often, when they are timed alone.
CALLS, ROUNDS = 100, 5


class Club(NamedTuple):
    """The pooled model of a simulated club, and two points at which densities are compared."""

    model: Any
    points: list[dict[str, Any]]


def club_of(name: str, tanks: int, weeks: int) -> Club:
    """The model of one contender; club and points are the same for both.

    Logs are of equal length.
    """
    from maturity_model.catalogue import load_catalogue
    from maturity_model.fitting.model import build_model
    from maturity_model.lab.benchmarks.scan_model import scan_model
    from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
    from maturity_model.panel import build_panel
    from maturity_model.population.elicit import elicit_population
    from maturity_model.population.priors import priors_from_catalogue

    catalogue = load_catalogue()
    truth = elicit_population(catalogue, 1.0, n_draws=8, seed=4)
    rng = np.random.default_rng(11)
    book = simulate_logbook(truth, catalogue, tanks, rng, Habits(weeks=weeks), one_draw=True)
    panel, priors = build_panel(book.logbook, catalogue), priors_from_catalogue(catalogue)
    model = build_model(panel, priors)
    start = model.initial_point()
    points = [
        {k: np.asarray(v + rng.normal(0.0, sd, np.shape(v))) for k, v in start.items()}
        for sd in (0.0, 0.3)
    ]
    if name == SCAN:
        model = scan_model(panel, priors, dict(model.coords))
    return Club(model, points)


def density_of(compiled: Any) -> Callable[[np.ndarray], tuple[float, np.ndarray]]:
    """Log-density and gradient at an unconstrained point, as nutpie's sampler calls them."""
    kind = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[ctypes.c_void_p] * 4)
    function = kind(compiled.compiled_logp_func.address)
    gradient, value = np.empty(compiled.n_dim), np.empty(1)

    def call(x: np.ndarray) -> tuple[float, np.ndarray]:
        arrays = (x, gradient, value, compiled.user_data)
        if function(len(x), *(a.ctypes.data for a in arrays)):
            raise ValueError("the density has no value there")
        return float(value[0]), gradient

    return call


def sample(compiled: Any, seed: int) -> dict[str, Any]:
    """Sample chain after chain: what it cost, and how good the draws are."""
    import nutpie

    from maturity_model.fitting.sampling import low_rank_adaptation

    begin = time.process_time()
    trace = nutpie.sample(
        compiled, draws=DRAWS, tune=TUNE, chains=CHAINS, cores=1, seed=seed,
        target_accept=ACCEPT, progress_bar=False, save_warmup=True, **low_rank_adaptation(),
    )  # fmt: skip
    seconds = time.process_time() - begin
    stats, tuning = trace["sample_stats"], trace["warmup_sample_stats"]
    return {
        "seed": seed,
        "seconds": seconds,
        "gradients": float(stats["n_steps"].sum() + tuning["n_steps"].sum()),
        "divergent": int(stats["diverging"].sum()),
        **diagnose(trace["posterior"]),
    }


def diagnose(posterior: Any) -> dict[str, Any]:
    """ArviZ's bulk effective draws and R-hat of the parameters that tanks share; their means."""
    import arviz as az
    import xarray as xr

    from maturity_model.population.types import DIMS

    arrays = [
        posterior[name].transpose("chain", "draw", ...).values
        for name, dims in DIMS.items()
        if dims[-1] == "draw"
    ]
    draws = np.concatenate([x.reshape(*x.shape[:2], -1) for x in arrays], axis=2)
    # Effects that the catalogue rules out are constants.
    draws = draws[:, :, np.ptp(draws, axis=(0, 1)) != 0]
    data = xr.Dataset({"x": (("chain", "draw", "scalar"), draws)})
    ess = az.ess(data, method="bulk")["x"].values
    return {
        "ess": float(ess.min()),
        "r_hat": float(az.rhat(data)["x"].values.max()),
        "mean": draws.mean(axis=(0, 1)).tolist(),
        "error": (draws.std(axis=(0, 1)) / np.sqrt(ess)).tolist(),
    }


def run(name: str, tanks: int, weeks: int, seeds: list[int]) -> None:
    """Measure one contender and write what was found."""
    import nutpie
    import pytensor

    with pytensor.config.change_flags(mode="NUMBA", cxx=""):
        club = club_of(name, tanks, weeks)
        begin = time.perf_counter()
        compiled = nutpie.compile_pymc_model(club.model)
        density = density_of(compiled)
        # Both in nutpie's order.
        order = [n for n in compiled.shapes if n in club.points[0]]
        flat = [np.concatenate([np.ravel(p[n]) for n in order]) for p in club.points]
        values = [density(x)[0] for x in flat]
        built = time.perf_counter() - begin
        seconds = in_turn({name: lambda: density(flat[1])}, ROUNDS, calls=CALLS)[name].median()
        print(json.dumps({"values": values, "compile": built, "gradient": seconds}), flush=True)
        for seed in seeds:
            print(json.dumps(sample(compiled, seed)), flush=True)


if __name__ == "__main__":
    run(sys.argv[1], *map(int, sys.argv[2:4]), list(map(int, sys.argv[4:])))
