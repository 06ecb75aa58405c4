"""Gates: what a fit must pass before its population may be used without a warning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

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


class ParameterCheck(NamedTuple):
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
    """Convergence of a fit's chains.

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
        Of one chain, tuning excluded.
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


def diagnose(posterior: xr.Dataset, stats: xr.Dataset, seconds: float = 0.0) -> Diagnostics:
    """Check that chains converged; ``seconds`` is the wall time of the slowest, with its tuning."""
    names = [n for n in (*DIMS, *OPTIONAL_DIMS, *UNIT_LEVEL) if n in posterior]
    labels, draws = flatten(posterior, names)
    # A constant cannot fail to converge; a parameter that is not a number can.
    varies = draws.min(axis=(0, 1)) != draws.max(axis=(0, 1))
    draws = np.ascontiguousarray(draws[:, :, varies])
    columns = (
        draws.mean(axis=(0, 1)),
        draws.std(axis=(0, 1)),
        convergence.r_hat(draws),
        convergence.ess_bulk(draws),
        convergence.ess_tail(draws),
    )
    labels = [label for label, on in zip(labels, varies, strict=True) if on]
    shared = [label.partition("[")[0] not in UNIT_LEVEL for label in labels]
    rows = zip(labels, *(c.tolist() for c in columns), shared, strict=True)
    checks = tuple(ParameterCheck._make(row) for row in rows)
    divergent = int(stats["diverging"].sum())
    energy = stats["energy"].transpose("chain", "draw").values.astype(float)
    fractions = tuple(convergence.energy_fraction(energy).tolist())
    chains, n = draws.shape[:2]
    steps = float(stats["n_steps"].sum())
    return Diagnostics(
        chains=chains,
        draws=n,
        divergent=divergent,
        energy=fractions,
        checks=checks,
        problems=tuple(_problems(checks, divergent, chains * n, chains, fractions)),
        seconds=seconds,
        gradients_per_second=steps / chains / seconds if seconds > 0 else float("nan"),
    )


def _problems(
    checks: tuple[ParameterCheck, ...],
    divergent: int,
    total: int,
    chains: int,
    energy: tuple[float, ...],
) -> Iterator[str]:
    if chains < 2:
        yield "one chain alone cannot show that chains agree"
    if divergent > MAX_DIVERGENT * total:
        yield f"{divergent} of {total} transitions diverged"
    # "not <=" also catches NaN.
    apart = [c for c in checks if not c.r_hat <= MAX_R_HAT]
    if apart:
        worst = max(apart, key=lambda c: c.r_hat)
        yield (
            f"the chains disagree on {len(apart)} parameters, most on {worst.name} "
            f"(R-hat {worst.r_hat:.3f}, limit {MAX_R_HAT})"
        )
    for part, where in (("ess_bulk", "of the middle"), ("ess_tail", "of the tails")):
        few = [c for c in checks if not getattr(c, part) >= _least_ess(c)]
        if few:
            worst = min(few, key=lambda c: getattr(c, part))
            yield (
                f"too few effective draws {where} for {len(few)} parameters, fewest for "
                f"{worst.name} ({getattr(worst, part):.0f}, limit {_least_ess(worst):.0f})"
            )
    low = [e for e in energy if not e >= MIN_ENERGY]
    if low:
        yield f"energy was explored too slowly (fraction {min(low):.2f}, limit {MIN_ENERGY})"


def _least_ess(check: ParameterCheck) -> float:
    return MIN_ESS if check.shared else MIN_ESS_UNIT
