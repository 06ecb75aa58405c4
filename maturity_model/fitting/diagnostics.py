"""Gates: what a fit must pass before its population may be used without a warning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model.fitting import convergence
from maturity_model.population.types import DIMS, OPTIONAL_DIMS

if TYPE_CHECKING:
    import xarray as xr

Floats = np.ndarray

#: Limits: share of divergent transitions, R-hat, effective draws, energy fraction.
MAX_DIVERGENT, MAX_R_HAT, MIN_ESS, MIN_ENERGY = 0.001, 1.01, 400.0, 0.3
#: Parameters of single tanks and keepers, for which fewer effective draws will do.
UNIT_LEVEL = ("pace", "skill", "tank_sign")
MIN_ESS_UNIT = 200.0


@dataclass(frozen=True)
class ParameterCheck:
    """Convergence of one scalar parameter."""

    name: str
    mean: float
    sd: float
    r_hat: float
    ess_bulk: float
    ess_tail: float
    shared: bool


@dataclass(frozen=True)
class Diagnostics:
    """What the sampler's diagnostics say.

    Attributes
    ----------
    chains, draws : int
    divergent : int
        Divergent transitions among all draws.
    energy : tuple of float
        Energy fraction of missing information, by chain.
    checks : tuple of ParameterCheck
    problems : tuple of str
        Failed gates, in words; empty when all passed.
    seconds : float
        Wall time of the slowest chain.
    gradients_per_second : float
        Of one chain, kept draws only.
    """

    chains: int
    draws: int
    divergent: int
    energy: tuple[float, ...]
    checks: tuple[ParameterCheck, ...]
    problems: tuple[str, ...]
    seconds: float
    gradients_per_second: float

    @property
    def ok(self) -> bool:
        """Whether every gate was passed."""
        return not self.problems

    def verdict(self) -> str:
        """One line for the population file."""
        return "passed" if self.ok else "failed: " + "; ".join(self.problems)

    def worst(self) -> dict[str, float]:
        """Largest R-hat, and least effective draws of shared parameters."""
        shared = [c for c in self.checks if c.shared]
        return {
            "r_hat": max(c.r_hat for c in self.checks),
            "ess_bulk": min(c.ess_bulk for c in shared),
            "ess_tail": min(c.ess_tail for c in shared),
        }


def flatten(posterior: xr.Dataset, names: list[str]) -> tuple[list[str], Floats]:
    """Scalars of some variables.

    Returns
    -------
    labels : list of str
        ``name[coordinate, ...]``.
    draws : ndarray, shape (C, D, P)
    """
    labels: list[str] = []
    columns = []
    for name in names:
        array = posterior[name].transpose("chain", "draw", ...)
        values = np.asarray(array.values, dtype=np.float64)
        columns.append(values.reshape(*values.shape[:2], -1))
        dims = array.dims[2:]
        for where in np.ndindex(*values.shape[2:]):
            parts = [str(array[d].values[i]) for d, i in zip(dims, where, strict=True)]
            labels.append(f"{name}[{', '.join(parts)}]" if parts else name)
    return labels, np.concatenate(columns, axis=2)


def judged_names(posterior: xr.Dataset) -> list[str]:
    """Variables that have a meaning of their own, in the order of a population's fields."""
    return [n for n in (*DIMS, *OPTIONAL_DIMS, *UNIT_LEVEL) if n in posterior]


def diagnose(posterior: xr.Dataset, stats: xr.Dataset, seconds: float = 0.0) -> Diagnostics:
    """Judge chains.

    Parameters
    ----------
    posterior, stats : xarray.Dataset
        With the dimensions ``chain`` and ``draw``.
    seconds : float
        Wall time of the slowest chain, tuning included.

    Returns
    -------
    Diagnostics
    """
    labels, draws = flatten(posterior, judged_names(posterior))
    # A constant needs no judging; what is not a number does.
    moving = draws.min(axis=(0, 1)) != draws.max(axis=(0, 1))
    labels = [label for label, on in zip(labels, moving, strict=True) if on]
    draws = np.ascontiguousarray(draws[:, :, moving])
    rhat, bulk = convergence.r_hat(draws), convergence.ess_bulk(draws)
    tail = convergence.ess_tail(draws)
    checks = tuple(
        ParameterCheck(
            name=label,
            mean=float(draws[:, :, j].mean()),
            sd=float(draws[:, :, j].std()),
            r_hat=float(rhat[j]),
            ess_bulk=float(bulk[j]),
            ess_tail=float(tail[j]),
            shared=label.partition("[")[0] not in UNIT_LEVEL,
        )
        for j, label in enumerate(labels)
    )
    divergent = int(np.asarray(stats["diverging"]).sum())
    energy = tuple(float(e) for e in convergence.energy_fraction(_of(stats, "energy")))
    steps = float(np.asarray(stats["n_steps"]).sum())
    chains, n = draws.shape[:2]
    return Diagnostics(
        chains=chains,
        draws=n,
        divergent=divergent,
        energy=energy,
        checks=checks,
        problems=tuple(_problems(checks, divergent, chains * n, chains, energy)),
        seconds=seconds,
        gradients_per_second=steps / chains / seconds if seconds > 0 else float("nan"),
    )


def _of(stats: xr.Dataset, name: str) -> Any:
    return np.asarray(stats[name].transpose("chain", "draw").values, dtype=np.float64)


def _problems(
    checks: tuple[ParameterCheck, ...],
    divergent: int,
    total: int,
    chains: int,
    energy: tuple[float, ...],
) -> list[str]:
    said = []
    if chains < 2:
        said.append("one chain alone cannot show that chains agree")
    if divergent > MAX_DIVERGENT * total:
        said.append(f"{divergent} of {total} transitions diverged")
    # "not <=" also catches what is not a number.
    apart = [c for c in checks if not c.r_hat <= MAX_R_HAT]
    if apart:
        worst = max(apart, key=lambda c: c.r_hat)
        said.append(
            f"the chains disagree on {len(apart)} parameters, most on {worst.name} "
            f"(R-hat {worst.r_hat:.3f}, limit {MAX_R_HAT})"
        )
    for part in ("ess_bulk", "ess_tail"):
        few = [c for c in checks if not getattr(c, part) >= (MIN_ESS if c.shared else MIN_ESS_UNIT)]
        if few:
            worst = min(few, key=lambda c: getattr(c, part))
            what = "of the middle" if part == "ess_bulk" else "of the tails"
            said.append(
                f"too few effective draws {what} for {len(few)} parameters, fewest for "
                f"{worst.name} ({getattr(worst, part):.0f}, limit "
                f"{MIN_ESS if worst.shared else MIN_ESS_UNIT:.0f})"
            )
    low = [e for e in energy if not e >= MIN_ENERGY]
    if low:
        said.append(f"energy was explored too slowly (fraction {min(low):.2f}, limit {MIN_ENERGY})")
    return said
