"""Gates: what a fit must pass before its population may be used without a warning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.fitting import convergence
from maturity_model.population.types import DIMS, OPTIONAL_DIMS

if TYPE_CHECKING:
    import xarray as xr

#: Limits: share of divergent transitions, R-hat, effective draws, energy fraction.
MAX_DIVERGENT, MAX_R_HAT, MIN_ESS, MIN_ENERGY = 0.001, 1.01, 400.0, 0.3
#: Parameters of single tanks and keepers, for which fewer effective draws will do.
UNIT_LEVEL = ("pace", "skill", "tank_sign")
MIN_ESS_UNIT = 200.0


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
    checks : pandas.DataFrame
        A scalar parameter a row: ``parameter, mean, sd, r_hat, ess_bulk, ess_tail``, and whether
        it is ``shared`` by all tanks. Empty without chains.
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
    checks: pd.DataFrame
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
        least = self.checks.loc[self.checks["shared"], ["ess_bulk", "ess_tail"]].min()
        return {"r_hat": float(self.checks["r_hat"].max()), **least.to_dict()}


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
    labels = [label for label, on in zip(labels, varies, strict=True) if on]
    checks = pd.DataFrame(
        {
            "parameter": labels,
            "mean": draws.mean(axis=(0, 1)),
            "sd": draws.std(axis=(0, 1)),
            "r_hat": convergence.r_hat(draws),
            "ess_bulk": convergence.ess_bulk(draws),
            "ess_tail": convergence.ess_tail(draws),
            "shared": [label.partition("[")[0] not in UNIT_LEVEL for label in labels],
        }
    )
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
    checks: pd.DataFrame, divergent: int, total: int, chains: int, energy: tuple[float, ...]
) -> Iterator[str]:
    if chains < 2:
        yield "one chain alone cannot show that chains agree"
    if divergent > MAX_DIVERGENT * total:
        yield f"{divergent} of {total} transitions diverged"
    by_name = checks.set_index("parameter")
    # "not <=" also catches NaN.
    apart = by_name["r_hat"][~(by_name["r_hat"] <= MAX_R_HAT)]
    if len(apart):
        worst = apart.fillna(np.inf).idxmax()
        yield (
            f"the chains disagree on {len(apart)} parameters, most on {worst} "
            f"(R-hat {apart[worst]:.3f}, limit {MAX_R_HAT})"
        )
    least = pd.Series(np.where(by_name["shared"], MIN_ESS, MIN_ESS_UNIT), by_name.index)
    for part, where in (("ess_bulk", "of the middle"), ("ess_tail", "of the tails")):
        few = by_name[part][~(by_name[part] >= least)]
        if len(few):
            worst = few.fillna(-np.inf).idxmin()
            yield (
                f"too few effective draws {where} for {len(few)} parameters, fewest for "
                f"{worst} ({few[worst]:.0f}, limit {least[worst]:.0f})"
            )
    low = [e for e in energy if not e >= MIN_ENERGY]
    if low:
        yield f"energy was explored too slowly (fraction {min(low):.2f}, limit {MIN_ENERGY})"
