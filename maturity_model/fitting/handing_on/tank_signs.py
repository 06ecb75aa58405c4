"""Likelihood of a tank whose own shifts of its signs' log-odds are integrated out.

There is a shift for every sign, too many for quadrature, so that shifts, pace and skill
are drawn by importance sampling from a normal distribution fitted to each tank (adaptive
importance sampling: Cappé, Guillin, Marin and Robert 2004, *Journal of Computational and
Graphical Statistics* 13: 907-929). Draws come in pairs that mirror one another, which
cancels errors of odd order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.chain_gradient import gradient_blocks
from maturity_model.hmm.arithmetic import JIT, exp_lanes, log_lanes
from maturity_model.population.tables import judgement_table, reading_table, tank_hazards
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.fitting.handing_on.tank_draws import Powers
    from maturity_model.panel import Panel


#: Values of pace, skill and shifts that are worked on together; the quick kernel's size.
LANES = 32
#: Values for each draw of the population; rounds of fitting, and values in each.
VALUES, ROUNDS, TRIAL = 128, 6, 512
#: Least effective share of a fit's trial values; below, their weights are tempered.
_LEAST = 0.2
#: Fitted distributions are made a little wider, so that weights stay bounded.
_WIDER = 1.15


class Marginal(NamedTuple):
    """Log-likelihood of tanks.

    Attributes
    ----------
    log_likelihood : ndarray, shape (N, D)
    effective : ndarray, shape (N,)
        Effective share of the values drawn, by tank, on average over draws; with less
        than a twentieth the likelihood is not to be trusted.
    """

    log_likelihood: Floats
    effective: Floats


@njit(**JIT)
def _values(  # type: ignore[no-untyped-def]
    logit, sign, small, seen, row, code, base, initial, log_h,
    spread, pace_sd, skill_sd, power, n_stages, v, out, occupancy,
):  # fmt: skip
    # v (M, 2 + G): pace, skill and shifts in standard deviations -> out (M,), M in lanes;
    # adds the smoothed states of all lanes to occupancy (T, S).
    n_c, n_s = logit.shape
    n_t, n_k = base.shape[0], log_h.shape[2]
    table = np.empty((n_c, n_s, LANES))
    rows = np.empty((1, n_t, n_s, LANES))
    h = np.empty((1, n_t - 1, 3, n_k, LANES))
    start = np.empty((1, n_s, LANES))
    value = np.empty((1, LANES))
    smoothed = np.empty((1, n_t, n_s, LANES))
    d = np.zeros((1, n_t - 1, 3, n_k, LANES))
    shift = np.empty(LANES)
    for s in range(n_s):
        start[0, s, :] = initial[s]
    for first in range(0, len(out), LANES):
        for c in range(n_c):
            g = sign[c]
            for i in range(LANES):
                x = v[first + i]
                shift[i] = x[2 + g] * spread[g] + small[c] * skill_sd * x[1]
            for s in range(n_s):
                a, cell = logit[c, s], table[c, s]
                for i in range(LANES):
                    # log(1 / (1 + exp(-z)))
                    z = seen[c] * (a + shift[i])
                    low = z if z < 0.0 else 0.0
                    near = exp_lanes(-z if z > 0.0 else z)
                    cell[i] = power * (low - log_lanes(1.0 + near))
        for t in range(n_t):
            for s in range(n_s):
                for i in range(LANES):
                    rows[0, t, s, i] = base[t, s]
        for o in range(len(row)):
            at = rows[0, row[o]]
            cells = table[code[o]]
            for s in range(n_s):
                for i in range(LANES):
                    at[s, i] += cells[s, i]
        for t in range(n_t - 1):
            for k in range(n_k):
                for i in range(LANES):
                    h[0, t, 0, k, i] = log_h[t + 1, 0, k] + pace_sd * v[first + i, 0]
                    h[0, t, 1, k, i] = log_h[t + 1, 1, k]
                    h[0, t, 2, k, i] = log_h[t + 1, 2, k]
        gradient_blocks(start, h, rows, n_stages, value, smoothed, d)
        for i in range(LANES):
            out[first + i] = value[0, i]
        for t in range(n_t):
            for s in range(n_s):
                for i in range(LANES):
                    occupancy[t, s] += smoothed[0, t, s, i]


class _Tank:
    """One tank under all draws of a population."""

    def __init__(self, panel: Panel, n: int, population: Population, powers: Powers, rows: Floats):
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        starts, code = panel.signs.of_rows(first, last)
        if powers.signs == 0:
            starts, code = np.zeros(last - first + 1, np.int64), code[:0]
        used, self.code = np.unique(code, return_inverse=True)
        self.row = np.repeat(np.arange(last - first), np.diff(starts))
        cells = panel.signs.codes[used]
        self.sign = cells["sign"].astype(np.int64)
        self.small = population.small[self.sign]
        self.seen = np.where(cells["seen"], 1.0, -1.0)
        by_state = np.einsum(
            "sk,gkd->gsd", population.chain.gradual(), population.sign_logit[self.sign]
        )
        shift = cells["level"][:, None] * population.persistence[self.sign]
        shift += self.small[:, None] * population.look_effect[cells["look"]]
        self.logit = np.ascontiguousarray(np.moveaxis(by_state + shift[:, None], -1, 0))
        self.base = np.ascontiguousarray(np.moveaxis(rows, -1, 0))
        hazards = tank_hazards(panel, n, population, np.zeros(1)).log_hazards()
        self.log_h = np.ascontiguousarray(np.moveaxis(hazards, -1, 0))
        self.initial = population.start[panel.rock[n]]
        self.population, self.power = population, powers.signs
        assert population.sign_tank_sd is not None
        self.spread = np.ascontiguousarray(population.sign_tank_sd.T)
        # A sign that was never looked for tells nothing of its shift.
        signs = np.arange(self.spread.shape[1])
        self.free = np.concatenate([[True, True], np.isin(signs, self.sign)])
        self.occupancy, self.idle = np.zeros(self.base.shape[1:]), np.zeros(self.base.shape[1:])
        self.offset = np.zeros((len(self.logit), int(self.free.sum())))

    def centre(self, variance: Floats) -> None:
        """Move the fitted distribution with the draws.

        Where a draw has a sign's log-odds higher than the others do, a tank's shift of them
        is lower, by as much as the tank's own answers count against the spread over tanks.
        """
        weight = self.occupancy[self.row] / self.occupancy.sum(axis=1)[self.row, None]
        by_code = np.zeros(self.logit.shape[1:])
        np.add.at(by_code, self.code, weight)
        by_sign = np.zeros((len(self.logit), self.spread.shape[1]))
        np.add.at(by_sign.T, self.sign, np.einsum("dcs,cs->cd", self.logit, by_code))
        used = self.free[2:]
        answers = np.bincount(self.sign[self.code], minlength=len(used))[used]
        level = by_sign[:, used] / answers
        # No yes or no tells more than a quarter of a unit of precision.
        most = 0.25 * self.power * answers * self.spread[:, used] ** 2
        counts = np.minimum(np.clip(1 - variance[2:], 0.0, 1.0), most / (1 + most))
        self.offset[:, 2:] = -counts * (level - level.mean(axis=0)) / self.spread[:, used]
        self.occupancy[:] = 0.0

    def log_likelihood(self, d: int, v: Floats, learn: bool = False) -> Floats:
        """Under draw d, for values v of shape (M, 2 + G) in standard deviations."""
        p, out = self.population, np.empty(len(v))
        occupancy = self.occupancy if learn else self.idle
        _values(
            self.logit[d], self.sign, self.small, self.seen, self.row, self.code, self.base[d],
            self.initial, self.log_h[d], self.spread[d], p.pace_sd[d], p.skill_sd[d],
            self.power, p.n_stages, v, out, occupancy,
        )  # fmt: skip
        return out


class _Normal(NamedTuple):
    mean: Floats
    factor: Floats

    def draw(self, n: int, rng: np.random.Generator) -> Floats:
        """Pairs that mirror one another, in units of the normal."""
        half = rng.normal(size=(n // 2, len(self.mean)))
        return np.concatenate([half, -half])

    def place(self, e: Floats, tank: _Tank, d: int) -> tuple[Floats, Floats]:
        """Values under draw d, and log of the standard normal's density over this one's."""
        x = self.mean + tank.offset[d] + e @ self.factor.T
        v = np.zeros((len(e), len(tank.free)))
        v[:, tank.free] = x
        ratio = 0.5 * (e**2).sum(axis=1) - 0.5 * (x**2).sum(axis=1)
        return v, ratio + np.log(np.diag(self.factor)).sum()


def _tempered(log_weight: Floats) -> Floats:
    # Weights raised to the largest power that keeps enough of the values effective.
    x = log_weight - log_weight.max()
    low, high = 0.0, 1.0
    for _ in range(30):
        power = 1.0 if low == 0.0 and high == 1.0 else 0.5 * (low + high)
        w = np.exp(power * x)
        enough = w.sum() ** 2 / (w**2).sum() >= _LEAST * len(x)
        if enough and power == 1.0:
            break
        low, high = (power, high) if enough else (low, power)
    w = np.exp((1.0 if power == 1.0 else low) * x)
    return np.asarray(w / w.sum())


def _fit(tank: _Tank, rng: np.random.Generator) -> _Normal:
    n = int(tank.free.sum())
    found = _Normal(np.zeros(n), np.eye(n))
    draws = tank.population.n_draws
    for _ in range(ROUNDS):
        e = found.draw(TRIAL, rng)
        x, log_weight = np.empty(e.shape), np.empty(TRIAL)
        # Values under many draws: one distribution, moved with the draws, must serve all.
        for first in range(0, TRIAL, LANES):
            part, d = slice(first, first + LANES), int(rng.integers(draws))
            v, ratio = found.place(e[part], tank, d)
            values = tank.log_likelihood(d, v, learn=True) + ratio
            log_weight[part] = values - values.max()
            x[part] = v[:, tank.free] - tank.offset[d]
        w = _tempered(log_weight)
        mean = w @ x
        cov = (w[:, None] * (x - mean)).T @ (x - mean)
        # A tenth of independence, as the covariance is estimated from few values.
        cov = _WIDER**2 * (0.9 * cov + 0.1 * np.diag(np.diag(cov)) + 1e-3 * np.eye(n))
        found = _Normal(mean, np.asarray(np.linalg.cholesky(cov), dtype=np.float64))
        tank.centre(np.diag(cov))
    return found


def marginal_log_likelihood(
    panel: Panel, population: Population, powers: Powers, seed: int = 1, values: int = VALUES
) -> Marginal:
    """Log-likelihood of each tank, its pace, skill and shifts integrated out.

    Parameters
    ----------
    panel : Panel
    population : Population
        With ``sign_tank_sd``.
    powers : Powers
        Of each kind of observation.
    seed : int
    values : int
        For each draw of the population, a multiple of :data:`LANES`.

    Returns
    -------
    Marginal
    """
    if population.sign_tank_sd is None or values % (2 * LANES) or values < 1:
        raise ValueError("a spread over tanks is needed, and values in pairs of lanes")
    n_tanks, n_draws = len(panel.tanks), population.n_draws
    out, share = np.empty((n_tanks, n_draws)), np.empty((n_tanks, n_draws))
    kinds = []
    if powers.readings:
        kinds.append((panel.readings, reading_table(panel, population, powers.readings)))
    if powers.judgements:
        kinds.append((panel.judgements, judgement_table(panel, population, powers.judgements)))
    logs = [(kind, np.log(np.maximum(table, 1e-300))) for kind, table in kinds]
    for n in range(n_tanks):
        rng = np.random.default_rng([seed, n])
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        rows = np.zeros((last - first, population.chain.n_states, n_draws))
        for kind, table in logs:
            starts, codes = kind.of_rows(first, last)
            np.add.at(rows, np.repeat(np.arange(last - first), np.diff(starts)), table[codes])
        tank = _Tank(panel, n, population, powers, rows)
        fitted = _fit(tank, rng)
        for d in range(n_draws):
            v, ratio = fitted.place(fitted.draw(values, rng), tank, d)
            x = tank.log_likelihood(d, v) + ratio
            top = x.max()
            w = np.exp(x - top)
            out[n, d] = top + np.log(w.mean())
            share[n, d] = w.sum() ** 2 / (w**2).sum() / values
    return Marginal(out, share.mean(axis=1))
