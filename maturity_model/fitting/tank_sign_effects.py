"""Likelihood of a tank with its tank-level sign effects integrated out.

Each tank shifts the log-odds of every sign, too many effects for quadrature. They, pace and
skill are therefore drawn by importance sampling, from a normal distribution adapted to the
tank (adaptive importance sampling: Cappé, Guillin, Marin and Robert 2004, *Journal of
Computational and Graphical Statistics* 13: 907-929). Draws come in antithetic pairs, which
cancels errors of odd order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.chain_gradient import block, workspace
from maturity_model.fitting.kernels.simd_lanes import WIDTH
from maturity_model.fitting.power_tables import Powers, power_tables, weeks_and_codes
from maturity_model.hmm.arithmetic import JIT, exp_lanes, log_lanes
from maturity_model.population.tables import tank_hazards
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Values for each draw of the population; rounds of adaptation, and values in each.
VALUES, ROUNDS, TRIAL = 128, 6, 512
#: Factor on the adapted standard deviations, so that importance weights stay bounded.
_INFLATION = 1.15


@njit(**JIT)
def _log_likelihoods(  # type: ignore[no-untyped-def]
    logit, sign, small, seen, row, code, base, initial, log_h,
    spread, pace_sd, skill_sd, power, n_stages, v, out, occupancy,
):  # fmt: skip
    # v (M, 2 + G): pace, skill and sign effects in standard deviations, M a multiple of WIDTH.
    # Writes log-likelihoods to out (M,) and adds P(state | log, value) to occupancy (T, S).
    n_c, n_s = logit.shape
    n_t, n_k = base.shape[0], log_h.shape[2]
    table = np.empty((n_c, n_s, WIDTH))
    rows, smoothed = np.empty((n_t, n_s, WIDTH)), np.empty((n_t, n_s, WIDTH))
    h, d = np.empty((n_t - 1, 3, n_k, WIDTH)), np.empty((n_t - 1, 3, n_k, WIDTH))
    start, value, shift = np.empty((n_s, WIDTH)), np.empty(WIDTH), np.empty(WIDTH)
    work = workspace(n_t, n_k, n_stages)
    for s in range(n_s):
        start[s, :] = initial[s]
    for first in range(0, len(out), WIDTH):
        for c in range(n_c):
            g = sign[c]
            for i in range(WIDTH):
                x = v[first + i]
                shift[i] = x[2 + g] * spread[g] + small[c] * skill_sd * x[1]
            for s in range(n_s):
                a, cell = logit[c, s], table[c, s]
                for i in range(WIDTH):
                    # log(1 / (1 + exp(-z)))
                    z = seen[c] * (a + shift[i])
                    low = z if z < 0.0 else 0.0
                    near = exp_lanes(-z if z > 0.0 else z)
                    cell[i] = power * (low - log_lanes(1.0 + near))
        for t in range(n_t):
            for s in range(n_s):
                for i in range(WIDTH):
                    rows[t, s, i] = base[t, s]
        for o in range(len(row)):
            at = rows[row[o]]
            cells = table[code[o]]
            for s in range(n_s):
                for i in range(WIDTH):
                    at[s, i] += cells[s, i]
        for t in range(n_t - 1):
            for k in range(n_k):
                for i in range(WIDTH):
                    h[t, 0, k, i] = log_h[t + 1, 0, k] + pace_sd * v[first + i, 0]
                    h[t, 1, k, i] = log_h[t + 1, 1, k]
                    h[t, 2, k, i] = log_h[t + 1, 2, k]
        block(
            n_k, n_stages, start.reshape(-1), h.reshape(-1), rows.reshape(-1), work, value,
            smoothed.reshape(-1), d.reshape(-1),
        )  # fmt: skip
        for i in range(WIDTH):
            out[first + i] = value[i]
        for t in range(n_t):
            for s in range(n_s):
                for i in range(WIDTH):
                    occupancy[t, s] += smoothed[t, s, i]


class _Tank:
    """One tank's observations and hazards under all draws of a population."""

    def __init__(self, panel: Panel, n: int, population: Population, powers: Powers, rows: Floats):
        assert population.sign_tank_sd is not None
        self.row, code = weeks_and_codes(panel, n, panel.signs)
        if powers.signs == 0:
            self.row, code = self.row[:0], code[:0]
        distinct, self.code = np.unique(code, return_inverse=True)
        cells = panel.signs.codes[distinct]
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
        self.sign_sd = np.ascontiguousarray(population.sign_tank_sd.T)
        # The log says nothing about the effect on a sign that was never looked for.
        looked_for = np.isin(np.arange(self.sign_sd.shape[1]), self.sign)
        self.free = np.concatenate([[True, True], looked_for])
        self.occupancy, self.unused = np.zeros((2, *self.base.shape[1:]))
        self.offset = np.zeros((len(self.logit), int(self.free.sum())))

    def centre(self, variance: Floats) -> None:
        """Let the centre of the importance distribution follow each draw of the population.

        Where a draw has a sign's log-odds above the average of the draws, the tank's effect is
        lower, in proportion to how much the tank's answers weigh against the spread over tanks.
        """
        weight = self.occupancy[self.row] / self.occupancy.sum(axis=1)[self.row, None]
        by_code = np.zeros(self.logit.shape[1:])
        np.add.at(by_code, self.code, weight)
        by_sign = np.zeros((len(self.logit), self.sign_sd.shape[1]))
        np.add.at(by_sign.T, self.sign, np.einsum("dcs,cs->cd", self.logit, by_code))
        looked_for = self.free[2:]
        answers = np.bincount(self.sign[self.code], minlength=len(looked_for))[looked_for]
        level = by_sign[:, looked_for] / answers
        # A Bernoulli answer carries at most a quarter of a unit of precision on its log-odds.
        most = 0.25 * self.power * answers * self.sign_sd[:, looked_for] ** 2
        weight = np.minimum(np.clip(1 - variance[2:], 0.0, 1.0), most / (1 + most))
        self.offset[:, 2:] = -weight * (level - level.mean(axis=0)) / self.sign_sd[:, looked_for]
        self.occupancy[:] = 0.0

    def log_likelihood(self, d: int, v: Floats, *, learn: bool = False) -> Floats:
        """Log-likelihood under draw d of values v, shape (M, 2 + G), in standard deviations.

        With ``learn``, smoothed states are added up for :meth:`centre`.
        """
        p, out = self.population, np.empty(len(v))
        _log_likelihoods(
            self.logit[d], self.sign, self.small, self.seen, self.row, self.code, self.base[d],
            self.initial, self.log_h[d], self.sign_sd[d], p.pace_sd[d], p.skill_sd[d],
            self.power, p.n_stages, v, out, self.occupancy if learn else self.unused,
        )  # fmt: skip
        return out


class _Normal(NamedTuple):
    """Importance distribution: mean, and Cholesky factor of the covariance."""

    mean: Floats
    factor: Floats

    def draw(self, n: int, rng: np.random.Generator) -> Floats:
        """Draw antithetic pairs, standardised, shape (n, number of free values)."""
        half = rng.normal(size=(n // 2, len(self.mean)))
        return np.concatenate([half, -half])

    def values(self, e: Floats, tank: _Tank, d: int) -> tuple[Floats, Floats]:
        """Values under draw d, and the log ratio of their prior density to this one."""
        x = self.mean + tank.offset[d] + e @ self.factor.T
        v = np.zeros((len(e), len(tank.free)))
        v[:, tank.free] = x
        ratio = 0.5 * (e**2).sum(axis=1) - 0.5 * (x**2).sum(axis=1)
        return v, ratio + np.log(np.diag(self.factor)).sum()


def _adapt(tank: _Tank, rng: np.random.Generator) -> _Normal:
    n = int(tank.free.sum())
    normal = _Normal(np.zeros(n), np.eye(n))
    for _ in range(ROUNDS):
        e = normal.draw(TRIAL, rng)
        x, log_weight = np.empty(e.shape), np.empty(TRIAL)
        # One distribution, moved with the draws, must serve all of them: try several.
        for first in range(0, TRIAL, WIDTH):
            part, d = slice(first, first + WIDTH), int(rng.integers(tank.population.n_draws))
            v, ratio = normal.values(e[part], tank, d)
            values = tank.log_likelihood(d, v, learn=True) + ratio
            log_weight[part] = values - values.max()
            x[part] = v[:, tank.free] - tank.offset[d]
        w = np.exp(log_weight - log_weight.max())
        w /= w.sum()
        mean = w @ x
        cov = (w[:, None] * (x - mean)).T @ (x - mean)
        # Shrunk by a tenth towards independence: the covariance is estimated from few values.
        cov = _INFLATION**2 * (0.9 * cov + 0.1 * np.diag(np.diag(cov)) + 1e-3 * np.eye(n))
        normal = _Normal(mean, np.asarray(np.linalg.cholesky(cov), dtype=np.float64))
        tank.centre(np.diag(cov))
    return normal


def marginal_log_likelihood(
    panel: Panel, population: Population, powers: Powers, seed: int = 1, values: int = VALUES
) -> Floats:
    """Log-likelihood of each tank, (N, D), its pace, skill and sign effects integrated out.

    The seed and a tank's number seed its random stream; ``values``, a multiple of
    2 * :data:`.simd_lanes.WIDTH`, are the importance draws for each draw of the population.

    Raises
    ------
    ValueError
        Without ``sign_tank_sd``, or when ``values`` cannot be drawn in pairs of lanes.
    """
    if population.sign_tank_sd is None or values % (2 * WIDTH) or values < 1:
        raise ValueError("a spread over tanks is needed, and values in pairs of lanes")
    out = np.empty((len(panel.tanks), population.n_draws))
    tables = power_tables(panel, population, powers._replace(signs=0.0), (1, 1))
    for n in range(len(out)):
        rng = np.random.default_rng([seed, n])
        emission, log_scale = tables.scaled_emission(n)
        rows = np.log(emission[:, :, 0]) + log_scale[:, None, None]
        tank = _Tank(panel, n, population, powers, rows)
        normal = _adapt(tank, rng)
        for d in range(population.n_draws):
            v, ratio = normal.values(normal.draw(values, rng), tank, d)
            x = tank.log_likelihood(d, v) + ratio
            out[n, d] = x.max() + np.log(np.exp(x - x.max()).mean())
    return out
