"""From parameters to the log-likelihood of each tank in JAX, for a whole panel.

The same likelihood as :mod:`.likelihood`, for GPUs and as a second implementation to check
the first against: codes to tables, tables to log-likelihoods of weeks, a scan over weeks
with tanks in lanes. Needs the extra ``gpu``; nothing else in the package imports it
before a GPU is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import jax.numpy as jnp
import numpy as np

from maturity_model._typing import Ints
from maturity_model.fitting.jax import jax_chain, jax_tables
from maturity_model.hmm.staged import StagedChain

if TYPE_CHECKING:
    from maturity_model.fitting.design import Design
    from maturity_model.population.priors import Priors

#: ``jax.Array``; its type is not known where JAX is not installed.
Array = Any

#: Log hazard ratios beyond this make a move certain (:data:`.tables.LARGEST_EFFECT`).
LARGEST_EFFECT = 100.0


@dataclass(frozen=True)
class Lanes:
    """Where the R rows of N tanks lie on a grid of T weeks.

    Attributes
    ----------
    first : int ndarray, shape (N + 1,)
        First row of each tank.
    row : int ndarray, shape (T, N)
        Row of a week of a tank; R beyond its last.
    week, tank : int ndarray, shape (R,)
        Place of a row.
    """

    first: Ints
    row: Ints
    week: Ints
    tank: Ints

    @classmethod
    def of(cls, first: Ints) -> Lanes:
        """Those of tanks whose rows lie behind one another."""
        first = np.asarray(first, dtype=np.int64)
        weeks = np.diff(first)
        most = int(weeks.max(initial=1))
        row = first[:-1] + np.arange(most)[:, None]
        tank = np.repeat(np.arange(len(weeks)), weeks)
        week = np.arange(first[-1]) - first[tank]
        return cls(first, np.where(row < first[1:], row, first[-1]), week, tank)

    @property
    def regular(self) -> bool:
        """Whether all tanks have the same number of weeks."""
        return bool((self.row < self.first[-1]).all())

    def spread(self, rows: Array, fill: float) -> Array:
        """Lay (R, ...) out as (T, ..., N); ``fill`` beyond the end of a tank."""
        if self.regular:
            n = self.row.shape[1]
            grid = rows.reshape(n, -1, *rows.shape[1:])
            return jnp.moveaxis(grid, 0, -1)
        padded = jnp.concatenate([rows, jnp.full_like(rows[:1], fill)])
        return jnp.moveaxis(padded[self.row], 1, -1)

    def gather(self, grid: Array) -> Array:
        """Undo :meth:`spread`: (T, ..., N) to (R, ...)."""
        if self.regular:
            rows = jnp.moveaxis(grid, -1, 0)
            return rows.reshape(-1, *rows.shape[2:])
        return jnp.moveaxis(grid, -1, 1)[self.week, self.tank]


def confusion(right: Array, n_phases: int) -> Array:
    """P(judged phase | true phase), shape (true, judged): wrong ones halve with distance."""
    distance = np.abs(np.arange(n_phases)[:, None] - np.arange(n_phases))
    wrong = np.where(distance > 0, 0.5**distance, 0.0)
    wrong /= wrong.sum(axis=1, keepdims=True)
    return np.eye(n_phases) * right + wrong * (1 - right)


class PanelLikelihood:
    """Log-likelihood of a panel's tanks as a function of the parameters.

    Parameters
    ----------
    design : Design
    priors : Priors
        For what is not learned: how far skill counts, offsets, the first week.
    evidence_weight : float

    Notes
    -----
    ``__call__(parameters)`` takes a dict with the names of :data:`.likelihood.PARAMETERS`
    (shapes as there) and gives an array of shape (N,). It may be jitted and differentiated.
    """

    def __init__(self, design: Design, priors: Priors, evidence_weight: float) -> None:
        self.chain = StagedChain(len(priors.phases), priors.n_stages)
        self.lanes = Lanes.of(design.first)
        self.weight = evidence_weight
        self.gradual = self.chain.gradual()
        self.by_tank = design.by_tank
        put = jnp.asarray
        self.small, self.offset = put(priors.small), put(priors.offset)
        self.log_start = put(np.log(np.maximum(design.start, 1e-300)).T)
        self.keeper, self.tank_of_row = put(design.keeper), put(design.tank_of_row)
        self.impulse = self.lanes.spread(put(design.impulse), 0.0)
        self.pending = self.lanes.spread(put(design.pending), 0.0)
        self.husbandry = put(design.husbandry)
        kinds = {}
        for kind in ("sign", "reading", "judged"):
            cells = getattr(design, f"{kind}_cell")
            if len(cells):
                kinds[kind] = {n: put(np.ascontiguousarray(cells[n])) for n in cells.dtype.names}
                kinds[kind] |= {n: put(getattr(design, f"{kind}_{n}")) for n in ("row", "code")}
        self.kinds: dict[str, dict[str, Array]] = kinds

    def __call__(self, parameters: dict[str, Any]) -> Array:
        """Log-likelihood of each tank, shape (N,)."""
        rows = jnp.zeros((len(self.tank_of_row), self.chain.n_states))
        tables = {"sign": self._signs, "reading": self._readings, "judged": self._judgements}
        for kind, d in self.kinds.items():
            rows = rows.at[d["row"]].add(tables[kind](parameters, d)[d["code"]])
        log_lik = self.lanes.spread(self.weight * rows, 0.0)
        return jax_chain.log_likelihood(
            self.log_start, self.log_hazards(parameters), log_lik, self.chain.n_stages
        )

    def log_hazards(self, p: dict[str, Any]) -> Array:
        """Log hazards of the moves between weeks, shape (T-1, 3, K, N)."""
        base = p["log_advance"] + self.husbandry @ p["husbandry"]
        base = base + p["pace"][self.tank_of_row][:, None]
        load = jax_tables.loads(self.impulse.swapaxes(1, 2), self.pending.swapaxes(1, 2),
                                jnp.exp(-1.0 / p["event_memory"]))  # fmt: skip
        shift = [
            jnp.minimum(load @ p[f"event_{m}"], LARGEST_EFFECT)[:, None]
            for m in ("advance", "setback", "collapse")
        ]
        never = jnp.full(1, -jnp.inf)
        down = [jnp.concatenate([never, p[f"log_{m}"]])[:, None] for m in ("setback", "collapse")]
        beyond = self.lanes.row >= len(self.tank_of_row)
        moves = [self.lanes.spread(base, -jnp.inf) + shift[0], *(d + s for d, s in
                 zip(down, shift[1:], strict=True))]  # fmt: skip
        return jnp.where(beyond[:, None, None], -jnp.inf, jnp.stack(moves, axis=1))[1:]

    def _signs(self, p: dict[str, Any], d: dict[str, Array]) -> Array:
        sign, observer = d["sign"], d["observer"]
        skill = p["skill"][self.keeper[observer] if self.by_tank else observer]
        shift = d["level"] * p["persistence"][sign]
        shift = shift + self.small[sign] * (p["look_effect"][d["look"]] + skill)
        if self.by_tank:
            shift = shift + p["tank_sign"][observer, sign]
        logit = p["sign_logit"] @ self.gradual.T
        return jax_tables.bernoulli_table(logit, shift, sign, d["seen"])

    def _readings(self, p: dict[str, Any], d: dict[str, Array]) -> Array:
        a = d["analyte"]
        offset = self.offset[a]
        # Nothing lies below zero: an interval that begins there begins at -inf.
        low = jnp.where(d["low"] <= 0, -jnp.inf, jnp.log(jnp.maximum(d["low"], 0) + offset))
        high = jnp.log(d["high"] + offset)
        known = d["previous"] >= 0
        previous = jnp.log(jnp.maximum(d["previous"], 0.0) + offset)
        pull = jnp.where(known, p["carry"][a] ** jnp.maximum(d["gap"], 1.0), 0.0)
        mean = (p["reading_mean"] @ self.gradual.T)[a]
        mean = (1 - pull[:, None]) * mean + (pull * previous)[:, None]
        sd = (p["reading_sd"] @ self.gradual.T)[a] * jnp.sqrt(1 - pull**2)[:, None]
        wide_mean = p["reading_mean"].mean(axis=1)[a]
        wide_sd = 2 * p["reading_sd"].max(axis=1)[a]
        return jax_tables.interval_table(low, high, mean, sd, wide_mean, wide_sd, p["outlier"])

    def _judgements(self, p: dict[str, Any], d: dict[str, Array]) -> Array:
        fresh = confusion(p["judge_accuracy"], self.chain.n_phases).T[d["phase"]]
        repeat = jnp.where(d["previous"] >= 0, p["judge_repeat"], 0.0)[:, None]
        same = (d["phase"] == d["previous"])[:, None]
        table = jnp.log(repeat * same + (1 - repeat) * fresh)
        return jnp.repeat(table, self.chain.n_stages, axis=1)
