"""The likelihood in JAX on a GPU, beside what that GPU can do: ``python -m``.

``--prepare FILE`` (here, with the package's own needs) writes a pool, a population and what
the compiled kernels make of them. ``--run FILE`` (there) needs numpy and JAX alone: it
measures the machine's copy, arithmetic and exponentials, then scoring and gradients, checks
them against the carried results, and prints one JSON object a line. ``--tiny`` is for
trying it out. Files go to the folder ``OUT`` of the environment, if there is one.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import statistics
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

TANKS, WEEKS, DRAWS, NODES = 40, 60, 100, (5, 3)
CHECKED = 8
STAGES, PHASES = 3, 4
STATES = STAGES * PHASES
LINES: list[str] = []


def say(**values: Any) -> None:
    LINES.append(json.dumps(values))
    print(LINES[-1], flush=True)


# Here ------------------------------------------------------------------------------------


def prepare(path: Path) -> None:
    """A simulated pool with a population of the catalogue, and results of the kernels."""
    import jax

    from maturity_model.assessment.filtering import filter_tank, make_tables
    from maturity_model.catalogue import load_catalogue
    from maturity_model.fitting.design import make_design
    from maturity_model.fitting.jax import jax_filter
    from maturity_model.fitting.likelihood import PARAMETERS
    from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
    from maturity_model.panel import build_panel
    from maturity_model.population.elicit import elicit_population
    from maturity_model.population.priors import priors_from_catalogue

    catalogue = load_catalogue()
    population = elicit_population(catalogue, 0.7, n_draws=DRAWS, seed=4)
    rng = np.random.default_rng(11)
    habits = Habits(weeks=WEEKS, judged=0.1)
    book = simulate_logbook(population, catalogue, TANKS, rng, habits, one_draw=True).logbook
    panel = build_panel(book, catalogue)
    out: dict[str, Any] = {}

    laid = jax_filter.lay_out(panel, population)
    signs, others = jax_filter.log_tables(panel, population, 0.7, NODES[1])
    out |= {f"tanks_{k}": v for k, v in laid._asdict().items()}
    out |= {f"members_{k}": v for k, v in jax_filter.members(population, NODES)._asdict().items()}
    out |= {"signs": signs, "others": others}
    tables = make_tables(panel, population, nodes=NODES)
    filter_tank(tables, 0)
    begin, results = time.process_time(), []
    for n in range(CHECKED):
        found, _ = filter_tank(tables, n)
        results.append((found.log_likelihood, found.chain.by_phase(found.states, axis=1)))
    out["core_seconds"] = (time.process_time() - begin) / CHECKED / WEEKS
    out["log_likelihood"] = np.stack([r[0] for r in results], axis=1)
    out["phases"] = np.stack([r[1] for r in results], axis=2)

    priors = priors_from_catalogue(catalogue)
    design = make_design(panel, priors)
    for name, value in vars(design).items():
        if isinstance(value, np.ndarray):
            if value.dtype.names:
                out |= {f"cell_{name}_{f}": value[f] for f in value.dtype.names}
            else:
                out[f"design_{name}"] = value
    parameters = {n: np.asarray(getattr(population, n))[..., 0] for n in PARAMETERS
                  if hasattr(population, n)}  # fmt: skip
    parameters |= {
        "log_setback": parameters["log_setback"][1:],
        "log_collapse": parameters["log_collapse"][1:],
        "pace": rng.normal(0, 0.3, TANKS),
        "skill": rng.normal(0, 0.5, len(design.keepers)),
        "tank_sign": np.zeros((TANKS, len(priors.signs))),
    }
    out |= {f"parameter_{k}": v for k, v in parameters.items()}
    out |= {"small": priors.small, "offset": priors.offset}
    value, gradient = panel_gradient(panel_likelihood(out, 1))
    out["panel_value"] = np.asarray(value)
    out |= {f"slope_{k}": np.asarray(v) for k, v in gradient.items()}

    from maturity_model.fitting.kernels.chain_gradient import (
        from_lanes,
        to_lanes,
        value_and_gradient,
    )

    arrays = series(64, np.float64)
    lanes = (to_lanes(np.moveaxis(x, -1, 0)) for x in (np.exp(arrays[0]), *arrays[1:]))
    exact = value_and_gradient(*lanes, STAGES)
    for name, x in zip(("value", "smoothed", "hazards"), exact, strict=True):
        out[f"chain_{name}"] = np.moveaxis(from_lanes(x, 64), 0, -1)
    np.savez_compressed(path, **jax.tree.map(np.asarray, out))
    print(f"{path}: {path.stat().st_size / 2**20:.1f} MiB, one core here "
          f"{out['core_seconds'] * 1e6:.0f} us per tank-week")  # fmt: skip


def series(n: int, dtype: Any, seed: int = 0) -> tuple[np.ndarray, ...]:
    """Random series with lanes last, as in :mod:`.engine`; 64 distinct ones, repeated."""
    rng = np.random.default_rng(seed)
    distinct = 64
    initial = np.log(rng.dirichlet(np.ones(STATES), distinct).T)
    hazards = rng.normal(-2.0, 1.0, (WEEKS - 1, 3, PHASES, distinct))
    log_lik = rng.normal(-3.0, 2.0, (WEEKS, STATES, distinct))
    take = np.arange(n) % distinct
    return tuple(x[..., take].astype(dtype) for x in (initial, hazards, log_lik))


# There -----------------------------------------------------------------------------------


def seconds(run: Callable[[], Any], rounds: int = 5) -> float:
    """Median time of a call, its results waited for; the first, which compiles, is left out."""
    import jax

    jax.block_until_ready(run())
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        jax.block_until_ready(run())
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def peaks(tiny: bool) -> dict[str, dict[str, float]]:
    """Bandwidth of a copy, and rates of arithmetic, exponentials and matrix products."""
    import jax
    import jax.numpy as jnp

    out = {}
    for dtype in (jnp.float64, jnp.float32):
        name, size = jnp.dtype(dtype).name, jnp.dtype(dtype).itemsize
        n = (2**20 if tiny else 2**30) // size
        x = jnp.linspace(0.0, 1.0, n, dtype=dtype)
        copied = seconds(partial(jax.jit(lambda x: x + 1), x))

        def chain(x: Any) -> Any:
            a, b = x, x + 0.5
            for _ in range(256):
                a, b = a * 0.999 + 0.001, b * 0.998 + 0.002
            return a + b

        def exponentials(x: Any) -> Any:
            for _ in range(32):
                x = jnp.exp(-x)
            return x

        part = x[: n // 8]
        multiplied = seconds(partial(jax.jit(chain), part))
        raised = seconds(partial(jax.jit(exponentials), part))
        side = 256 if tiny else 8192
        m = jax.random.normal(jax.random.key(0), (side, side), dtype)
        dot = jax.jit(lambda m: jnp.dot(m, m, precision="highest"))
        product = seconds(partial(dot, m))
        out[name] = {
            "copy_bytes_per_s": 2 * n * size / copied,
            "multiply_add_flop_per_s": 4 * 256 * len(part) / multiplied,
            "exp_per_s": 32 * len(part) / raised,
            "matmul_flop_per_s": 2 * side**3 / product,
        }
        say(what="peak", dtype=name, **out[name])
    return out


#: Counted in :mod:`.jax_chain`, by series-step of 4 x 3 states: additions,
#: multiplications and divisions; exponentials and logarithms.
CHAIN_FLOPS = {"rates": 90, "step": 98, "normalise": 40, "back": 90, "score": 160}
FORWARD_FLOPS = CHAIN_FLOPS["rates"] + CHAIN_FLOPS["step"] + CHAIN_FLOPS["normalise"]
GRADIENT_FLOPS = FORWARD_FLOPS + sum(CHAIN_FLOPS[k] for k in ("rates", "back", "score")) + 36
GRADIENT_EXPS = 2 * (12 + 3 * PHASES + 2 * (PHASES + 1)) + 1
#: Numbers that must move: hazards and likelihoods read twice, filtered states written and read,
#: gradients written.
GRADIENT_VALUES = 2 * (3 * PHASES + STATES) + 2 * STATES + (3 * PHASES + STATES)


def limits(peak: dict[str, float], bytes_: float, flops: float, exps: float) -> dict[str, Any]:
    """Least times by what they are spent on, and which is the largest."""
    floors = {
        "bytes": bytes_ / peak["copy_bytes_per_s"],
        "arithmetic": flops / peak["multiply_add_flop_per_s"],
        "exponentials": exps / peak["exp_per_s"],
    }
    return {"floor_s": max(floors.values()), "limit": max(floors, key=lambda k: floors[k])}


def chain(given: Any, peak: dict[str, Any], tiny: bool) -> None:
    """Value and gradient of the staged chain alone."""
    import jax
    import jax.numpy as jnp

    from maturity_model.fitting.jax import jax_chain

    found = jax_chain.value_and_gradient(*series(64, np.float64), n_stages=STAGES)
    errors = {
        name: float(np.abs(np.asarray(x) - given[f"chain_{name}"]).max())
        for name, x in zip(("value", "smoothed", "hazards"), found, strict=True)
    }
    say(what="chain agreement", largest_difference=errors)
    for n in (64,) if tiny else (2_000, 10_000, 100_000):
        for dtype in (np.float64, np.float32):
            arrays = [jnp.asarray(x) for x in series(n, dtype)]
            took = seconds(lambda a=arrays: jax_chain.value_and_gradient(*a, n_stages=STAGES))
            steps = n * WEEKS
            least = limits(
                peak[np.dtype(dtype).name],
                steps * GRADIENT_VALUES * np.dtype(dtype).itemsize,
                steps * GRADIENT_FLOPS,
                steps * GRADIENT_EXPS,
            )
            say(
                what="chain value and gradient", tanks=n, weeks=WEEKS, dtype=np.dtype(dtype).name,
                seconds=took, ns_per_tank_week=took / steps * 1e9, **least,
                times_floor=took / least["floor_s"],
            )  # fmt: skip
    n = 64 if tiny else 10_000
    arrays = [jnp.asarray(x) for x in series(n, np.float64)]
    dense = jax.jit(jax.value_and_grad(dense_total, argnums=(1, 2)))
    took = seconds(lambda: dense(*arrays), rounds=3)
    say(what="chain by dense matrices, differentiated by JAX", tanks=n, dtype="float64",
        seconds=took, ns_per_tank_week=took / n / WEEKS * 1e9,
        difference=float(abs(dense(*arrays)[0] / jax_chain.value_and_gradient(
            *arrays, n_stages=STAGES).log_likelihood.sum() - 1)))  # fmt: skip


def dense_total(log_initial: Any, log_hazards: Any, log_lik: Any) -> Any:
    """The same likelihood with every state against every state."""
    import jax
    import jax.numpy as jnp

    to = np.zeros((4, STATES, STATES))
    for j in range(STATES):
        k = j // STAGES
        to[0, j, j] = 1
        if j + 1 < STATES:
            to[1, j, j + 1] = 1
        if k > 0:
            to[2, j, (k - 1) * STAGES] = 1
            to[3, j, 0] = 1

    def one(carry: Any, at: Any) -> Any:
        alpha, value = carry
        log_h, log_lik = at
        hazard = jnp.repeat(jnp.exp(log_h), STAGES, axis=1)
        hazard = hazard * to[1:].any(axis=2)[:, :, None]
        total = hazard.sum(axis=0)
        share = -jnp.expm1(-total) / total
        weights = jnp.concatenate([jnp.exp(-total)[None], hazard * share])
        matrix = jnp.einsum("mjz,mjn->njz", to, weights)
        top = log_lik.max(axis=0)
        alpha = jnp.einsum("nj,njz->nz", alpha, matrix) * jnp.exp(log_lik - top).T
        scale = alpha.sum(axis=1)
        return (alpha / scale[:, None], value + jnp.log(scale) + top), None

    top = log_lik[0].max(axis=0)
    alpha = (jnp.exp(log_initial) * jnp.exp(log_lik[0] - top)).T
    scale = alpha.sum(axis=1)
    start = (alpha / scale[:, None], jnp.log(scale) + top)
    (_, value), _ = jax.lax.scan(one, start, (log_hazards, log_lik[1:]))
    return value.sum()


def scoring(given: Any, peak: dict[str, Any], tiny: bool) -> None:
    """Filter over draws and nodes: tank-weeks per second."""
    import jax
    import jax.numpy as jnp

    from maturity_model.fitting.jax import jax_filter

    tanks = jax_filter.Tanks(*(given[f"tanks_{k}"] for k in jax_filter.Tanks._fields))
    members = jax_filter.Members(*(given[f"members_{k}"] for k in jax_filter.Members._fields))
    core = float(given["core_seconds"])
    lanes = DRAWS * NODES[0] * NODES[1]
    for dtype in (np.float64, np.float32):
        name, size = np.dtype(dtype).name, np.dtype(dtype).itemsize

        def cast(x: Any, dtype: Any = dtype) -> Any:
            return jnp.asarray(x, dtype if x.dtype.kind == "f" else None)

        model = jax.tree.map(cast, (given["signs"], given["others"], members))
        for n in (CHECKED,) if tiny else (CHECKED, 128, 1024):
            take = np.arange(n) % TANKS
            some = jax_filter.Tanks(*(x[..., take] if f == "start" else x[:, take] for f, x in
                                      zip(tanks._fields, tanks, strict=True)))  # fmt: skip
            some = jax.tree.map(cast, some)
            if n == CHECKED:
                found = jax_filter.filter_tanks(some, *model, n_stages=STAGES)
                shift = np.asarray(found.log_likelihood, np.float64) - given["log_likelihood"]
                say(
                    what="scoring agreement", dtype=name,
                    phases=float(np.abs(np.asarray(found.phases) - given["phases"]).max()),
                    log_likelihood=float(np.ptp(shift, axis=2).max()),
                )  # fmt: skip
            took = seconds(
                lambda s=some, m=model: jax_filter.filter_tanks(s, *m, n_stages=STAGES), 3
            )
            rows = n * WEEKS
            # A filter that kept its states in registers would move its results alone.
            within = limits(peak[name], rows * DRAWS * (PHASES + 1) * size,
                            rows * lanes * FORWARD_FLOPS, rows * lanes * 2)  # fmt: skip
            # Through memory: each step reads and writes all states.
            through = rows * lanes * 2 * STATES * size / peak[name]["copy_bytes_per_s"]
            say(
                what="scoring", tanks=n, weeks=WEEKS, draws=DRAWS, nodes=NODES[0] * NODES[1],
                dtype=name, seconds=took, tank_weeks_per_s=rows / took,
                ps_per_lane_week=took / rows / lanes * 1e12, limit=within["limit"],
                times_floor=took / within["floor_s"], times_states_through_memory=took / through,
                times_one_core_of_preparing_machine=core * rows / took,
            )  # fmt: skip


def panel_likelihood(given: Any, times: int) -> tuple[Any, dict[str, Any], dict[str, Any]]:
    """The whole panel, its tanks repeated with keepers of their own."""
    import jax.numpy as jnp

    from maturity_model.fitting.jax.jax_likelihood import PanelLikelihood

    n, rows = TANKS, TANKS * WEEKS
    keepers = len(given["parameter_skill"])
    design = SimpleNamespace(by_tank=False)
    for name in ("start", "impulse", "pending", "husbandry"):
        design.__dict__[name] = np.tile(given[f"design_{name}"], (times, 1))
    copies = np.arange(times)[:, None]
    design.first = np.concatenate([[0], (given["design_first"][1:] + copies * rows).ravel()])
    design.keeper = (given["design_keeper"] + copies * keepers).ravel()
    design.tank_of_row = (given["design_tank_of_row"] + copies * n).ravel()
    for kind in ("sign", "reading", "judged"):
        fields = {k.removeprefix(f"cell_{kind}_cell_"): given[k] for k in given
                  if k.startswith(f"cell_{kind}_cell_")}  # fmt: skip
        cells = len(next(iter(fields.values())))
        # Only signs tell keepers apart.
        again = times if kind == "sign" else 1
        table = np.empty(cells * again, [(k, v.dtype) for k, v in fields.items()])
        for k, v in fields.items():
            step = keepers * (k == "observer")
            table[k] = (v + step * np.arange(again)[:, None]).ravel()
        design.__dict__[f"{kind}_cell"] = table
        code = given[f"design_{kind}_code"]
        shift = copies * (cells if kind == "sign" else 0)
        design.__dict__[f"{kind}_code"] = (code + shift).ravel()
        design.__dict__[f"{kind}_row"] = (given[f"design_{kind}_row"] + copies * rows).ravel()
    priors = SimpleNamespace(
        phases=range(PHASES), n_stages=STAGES, small=given["small"], offset=given["offset"]
    )
    likelihood = PanelLikelihood(design, priors, 0.7)  # type: ignore[arg-type]
    p = {k.removeprefix("parameter_"): given[k] for k in given if k.startswith("parameter_")}
    p |= {k: np.tile(p[k], times) for k in ("pace", "skill")}
    arrays = {k: v for k, v in vars(likelihood).items()
              if k in ("kinds", "log_start", "keeper", "tank_of_row", "impulse", "pending",
                       "husbandry")}  # fmt: skip
    return likelihood, {k: jnp.asarray(v) for k, v in p.items()}, arrays


def panel_gradient(
    made: tuple[Any, dict[str, Any], dict[str, Any]], run: Any = None
) -> tuple[Any, dict[str, Any]]:
    """Value and gradient by all parameters; the data are arguments, not constants."""
    likelihood, parameters, arrays = made
    return (run or panel_function(likelihood))(parameters, arrays)


def panel_function(likelihood: Any) -> Any:
    import jax

    def total(parameters: Any, arrays: Any) -> Any:
        other = copy.copy(likelihood)
        other.__dict__.update(arrays)
        return other(parameters).sum()

    return jax.jit(jax.value_and_grad(total))


def panel(given: Any, peak: dict[str, Any], tiny: bool) -> None:
    """Value and gradient of the whole panel by its parameters."""
    value, gradient = panel_gradient(panel_likelihood(given, 1))
    scale = {k: 1 + np.abs(given[f"slope_{k}"]).max() for k in gradient}
    say(
        what="panel agreement", value=float(abs(value - given["panel_value"])),
        gradient=max(float(np.abs(np.asarray(v) - given[f"slope_{k}"]).max() / scale[k])
                     for k, v in gradient.items()),
    )  # fmt: skip
    for n in (TANKS,) if tiny else (TANKS, 10_000, 100_000):
        made = panel_likelihood(given, n // TANKS)
        run = panel_function(made[0])
        took = seconds(lambda made=made, run=run: panel_gradient(made, run), 3)
        say(what="panel value and gradient", tanks=n, weeks=WEEKS, dtype="float64",
            seconds=took, ns_per_tank_week=took / n / WEEKS * 1e9)  # fmt: skip


def one_core() -> None:
    """The compiled filter on one core of the same machine, where numba is there."""
    from maturity_model.hmm.mixture import filter_mixture
    from maturity_model.hmm.staged import StagedChain, move_probabilities

    rng = np.random.default_rng(0)
    hazards = np.exp(rng.normal(-2, 1, (3, WEEKS - 1, PHASES, NODES[0], DRAWS)))
    moves = move_probabilities(*hazards.swapaxes(2, 3)).swapaxes(1, 2)
    emission = np.exp(rng.normal(-3, 2, (WEEKS, STATES, NODES[1], DRAWS)))
    initial = np.full((STATES, DRAWS), 1 / STATES)
    prior = np.full(NODES, 1 / (NODES[0] * NODES[1]))
    arrays = (StagedChain(PHASES, STAGES), initial, np.ascontiguousarray(moves), emission, prior)
    filter_mixture(*arrays)
    times = []
    for _ in range(5):
        begin = time.process_time()
        filter_mixture(*arrays)
        times.append(time.process_time() - begin)
    took = statistics.median(times)
    say(what="compiled filter on one core here", us_per_tank_week=took / WEEKS * 1e6)


def run(path: Path, tiny: bool) -> None:
    """All parts; one that fails says so, and the others go on."""
    import jax

    with np.load(path) as held:
        given = {k: held[k] for k in held.files}
    jax.config.update("jax_enable_x64", True)
    device = jax.devices()[0]
    say(what="machine", device=device.device_kind, platform=device.platform,
        jax=jax.__version__, cores=os.cpu_count())  # fmt: skip
    peak = peaks(tiny)
    for part in (chain, scoring, panel):
        begin = time.perf_counter()
        try:
            part(given, peak, tiny)
        except Exception as error:  # What was measured so far is not lost.
            say(what="failed", part=part.__name__, error=f"{type(error).__name__}: {error}"[:400])
        say(what="part", part=part.__name__, seconds=time.perf_counter() - begin)
    try:
        one_core()
    except Exception as error:
        say(what="failed", part="one_core", error=f"{type(error).__name__}: {error}"[:400])
    if os.environ.get("OUT"):
        Path(os.environ["OUT"], "device.jsonl").write_text("\n".join(LINES) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m maturity_model.lab.benchmarks.device", description=__doc__
    )
    group = parser.add_mutually_exclusive_group(required=True)
    group.add_argument("--prepare", type=Path, metavar="FILE")
    group.add_argument("--run", type=Path, metavar="FILE")
    parser.add_argument("--tiny", action="store_true")
    options = parser.parse_args()
    if options.prepare:
        prepare(options.prepare)
    else:
        run(options.run, options.tiny)


if __name__ == "__main__":
    main()
