"""Chains: drawn two or more at a time, each written to disk as soon as it is finished.

A rerun with the same inputs takes up the chains that are there and draws only the rest.
"""

from __future__ import annotations

import hashlib
import inspect
import json
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model.whole_files import new_file

if TYPE_CHECKING:
    import pymc as pm
    import xarray as xr

#: Seconds between looks at running chains.
POLL = 0.5
#: Larger chain files are not opened.
MAX_BYTES = 2 * 2**30
_STATS = ("diverging", "energy", "n_steps", "tree_depth", "depth", "step_size", "maxdepth_reached")


class ChainLost(RuntimeError):
    """A sampler gave up on a chain; the message says why."""


@dataclass(frozen=True)
class SamplingPlan:
    """How to draw.

    Attributes
    ----------
    draws, tune, chains : int
        Kept and discarded draws of each chain.
    seed : int
        Each chain's seed is made from this and the chain's number.
    sampler : {'nutpie', 'pymc'}
    cores : int
        Chains at a time (nutpie only).
    target_accept : float
    """

    draws: int = 1200
    tune: int = 500
    chains: int = 4
    seed: int = 1
    sampler: str = "nutpie"
    cores: int = 2
    target_accept: float = 0.9

    def chain_seed(self, i: int) -> int:
        """Seed of chain i."""
        return int(np.random.SeedSequence([self.seed, i]).generate_state(1)[0])


@dataclass(frozen=True)
class Chain:
    """One finished chain; ``chain`` has length 1. Seconds of wall time include tuning."""

    posterior: xr.Dataset
    stats: xr.Dataset
    seconds: float


def choose_sampler() -> str:
    """``nutpie`` where it is installed, else ``pymc``."""
    import importlib.util

    return "nutpie" if importlib.util.find_spec("nutpie") else "pymc"


def plan_key(plan: SamplingPlan, inputs: str) -> str:
    """Digest of what a chain depends on besides its number; ``inputs``: of model and data."""
    # How many chains there are, and how many at a time, changes none of them.
    what = {k: v for k, v in asdict(plan).items() if k not in ("chains", "cores")}
    return hashlib.sha256(json.dumps([inputs, what], sort_keys=True).encode()).hexdigest()


def _chain_file(folder: Path, key: str, i: int) -> Path:
    return folder / f"{key[:16]}-chain{i}.nc"


def _save(chain: Chain, path: Path, key: str) -> None:
    import xarray as xr

    path.parent.mkdir(parents=True, exist_ok=True)
    attrs = {"key": key, "seconds": chain.seconds}
    tree = xr.DataTree.from_dict(
        {"/": xr.Dataset(attrs=attrs), "/posterior": chain.posterior, "/sample_stats": chain.stats}
    )
    with new_file(path) as part:
        tree.to_netcdf(part, engine="h5netcdf")


def _load(path: Path, key: str) -> Chain | None:
    import xarray as xr

    if not path.is_file() or path.stat().st_size > MAX_BYTES:
        return None
    try:
        with xr.open_datatree(path, engine="h5netcdf") as tree:
            if tree.attrs.get("key") != key:
                return None
            return Chain(
                tree["posterior"].to_dataset().load(),
                tree["sample_stats"].to_dataset().load(),
                float(tree.attrs["seconds"]),
            )
    except (OSError, KeyError, ValueError):
        # A damaged file costs a chain, nothing more.
        return None


def _group(trace: Any, name: str) -> xr.Dataset:
    # ArviZ 0.23 gives datasets as attributes, ArviZ 1 a tree.
    found = trace[name]
    return found.to_dataset() if hasattr(found, "to_dataset") else found


def _finish(trace: Any, i: int, seconds: float) -> Chain:
    stats = _group(trace, "sample_stats")
    stats = stats[[name for name in _STATS if name in stats]].load()
    posterior = _group(trace, "posterior").load()
    for data in (posterior, stats):
        data.attrs.clear()
    return Chain(posterior.assign_coords(chain=[i]), stats.assign_coords(chain=[i]), seconds)


def sample_chains(
    model: pm.Model,
    plan: SamplingPlan,
    *,
    key: str = "",
    folder: Path | None = None,
    say: Callable[[str], None] | None = None,
) -> list[Chain]:
    """Draw chains, or take up those already drawn, by number.

    Finished chains are kept in ``folder``, if there is one, under a key from :func:`plan_key`;
    ``say`` is called with one line of text per finished step.

    Raises
    ------
    ChainLost
        When a sampler gives up.
    KeyboardInterrupt
        Passed on; finished chains are on disk by then.
    """
    say = say or (lambda text: None)
    done: dict[int, Chain] = {}
    if folder is not None:
        for i in range(plan.chains):
            if found := _load(_chain_file(folder, key, i), key):
                done[i] = found
    if done:
        say(f"{len(done)} of {plan.chains} chains were drawn before and are taken up again")

    def keep(i: int, chain: Chain) -> None:
        done[i] = chain
        if folder is not None:
            _save(chain, _chain_file(folder, key, i), key)
        say(f"chain {i + 1} of {plan.chains} finished in {chain.seconds:.0f} s")

    missing = [i for i in range(plan.chains) if i not in done]
    if missing:
        (_with_nutpie if plan.sampler == "nutpie" else _with_pymc)(model, plan, missing, keep, say)
    return [done[i] for i in range(plan.chains)]


def _is_finished(sampler: Any) -> bool:
    try:
        return bool(sampler.is_finished)
    except TimeoutError:
        # How some versions say that it is still at work.
        return False


def low_rank_adaptation() -> dict[str, Any]:
    """Nutpie's option to learn the main correlations, after which few steps are needed."""
    import nutpie

    if "adaptation" in inspect.signature(nutpie.sample).parameters:
        return {"adaptation": "low_rank"}
    # Its former name.
    return {"low_rank_modified_mass_matrix": True}


def _with_nutpie(
    model: pm.Model,
    plan: SamplingPlan,
    missing: list[int],
    keep: Callable[[int, Chain], None],
    say: Callable[[str], None],
) -> None:
    import nutpie

    began = time.perf_counter()
    compiled = nutpie.compile_pymc_model(model)
    say(f"model compiled in {time.perf_counter() - began:.0f} s")
    waiting, running = list(missing), dict[int, tuple[Any, float]]()
    said = time.perf_counter()
    try:
        while waiting or running:
            while waiting and len(running) < max(plan.cores, 1):
                i = waiting.pop(0)
                sampler = nutpie.sample(
                    compiled,
                    draws=plan.draws,
                    tune=plan.tune,
                    chains=1,
                    cores=1,
                    seed=plan.chain_seed(i),
                    save_warmup=False,
                    progress_bar=False,
                    blocking=False,
                    **low_rank_adaptation(),
                    target_accept=plan.target_accept,
                )
                running[i] = (sampler, time.perf_counter())
            time.sleep(POLL)
            for i, (sampler, started) in list(running.items()):
                if not _is_finished(sampler):
                    continue
                del running[i]
                try:
                    trace = sampler.wait()
                except Exception as error:
                    raise ChainLost(f"chain {i + 1} was lost: {error}") from error
                chain = _finish(trace, i, time.perf_counter() - started)
                if chain.posterior.sizes["draw"] < plan.draws:
                    raise ChainLost(f"chain {i + 1} stopped before it was finished")
                keep(i, chain)
            if time.perf_counter() - said > 30 and running:
                said = time.perf_counter()
                say(f"chains {', '.join(str(i + 1) for i in sorted(running))} are being drawn")
    finally:
        for sampler, _ in running.values():
            sampler.cancel()


def _with_pymc(
    model: pm.Model,
    plan: SamplingPlan,
    missing: list[int],
    keep: Callable[[int, Chain], None],
    say: Callable[[str], None],
) -> None:
    import pymc as pm

    for i in missing:
        say(f"chain {i + 1} is being drawn by PyMC's own sampler, which takes longer")
        began = time.perf_counter()
        with model, warnings.catch_warnings():
            # Chains are judged all together, later.
            warnings.simplefilter("ignore")
            trace = pm.sample(
                draws=plan.draws,
                tune=plan.tune,
                chains=1,
                cores=1,
                random_seed=plan.chain_seed(i),
                progressbar=False,
                compute_convergence_checks=False,
                nuts_sampler="pymc",
                compile_kwargs={"mode": "NUMBA"},
                nuts={"target_accept": plan.target_accept},
                idata_kwargs={"log_likelihood": False},
            )
        keep(i, _finish(trace, i, time.perf_counter() - began))


def to_terminal(text: str) -> None:
    """Say on stderr, so that stdout stays for data."""
    print(f"maturity-model fit: {text}", file=sys.stderr, flush=True)
