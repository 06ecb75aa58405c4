"""Slopes of a filter's score on a population's parameters, through tables and hazards.

The engine gives slopes on emissions and moves (:mod:`.label_score`); here
they are carried on, by the chain rule, to what signs show, what kits read and how tanks move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.population.tables import (
    Hazards,
    ReadingNormals,
    reading_normals,
    reading_table,
    sign_table,
)
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.panel import Observations, Panel

_TINY = 1e-300


def _sum_by(index: Any, values: Floats, n: int) -> Floats:
    out = np.zeros((n, *values.shape[1:]))
    np.add.at(out, index, values)
    return out


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))


def _times(x: Floats, density: Floats) -> Floats:
    # x times its density; 0 at infinity.
    return np.where(np.isfinite(x), x, 0.0) * density


class TableSlopes:
    """Look-up tables of a panel, and slopes gathered on their entries.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order.
    skill : ndarray, shape (Q,)
        Nodes, in standard deviations.
    power : float
        The evidence weight.
    """

    def __init__(self, panel: Panel, population: Population, skill: Floats, power: float):
        self.panel, self.population, self.power = panel, population, power
        self._tables = (
            sign_table(panel, population, skill, power),
            reading_table(panel, population, power)[:, :, None, :],
        )
        self._kinds: tuple[Observations, Observations] = (panel.signs, panel.readings)
        self._logs = [np.log(np.maximum(table, _TINY)) for table in self._tables]
        self._gathered = [np.zeros_like(table) for table in self._tables]
        self._nodes = len(skill)

    def _observed(self, n: int, kind: Observations) -> zip[tuple[int, int]]:
        first, last = int(self.panel.first[n]), int(self.panel.first[n + 1])
        starts, codes = kind.of_rows(first, last)
        week = np.repeat(np.arange(last - first), np.diff(starts))
        return zip(week.tolist(), codes.tolist(), strict=True)

    def emission(self, n: int) -> Floats:
        """Likelihood of each week's signs and readings of a tank, shape (T, S, Q, D).

        Up to a factor by week.
        """
        weeks = int(self.panel.first[n + 1] - self.panel.first[n])
        population = self.population
        rows = np.zeros((weeks, population.chain.n_states, self._nodes, population.n_draws))
        for kind, table in zip(self._kinds, self._logs, strict=True):
            for t, code in self._observed(n, kind):
                rows[t] += table[code]
        rows -= rows.max(axis=(1, 2, 3), keepdims=True)
        return np.exp(np.maximum(rows, -600.0))

    def add(self, n: int, slopes: Floats) -> None:
        """Gather slopes on the log emissions of a tank, shape (T, S, Q, D)."""
        for kind, gathered in zip(self._kinds, self._gathered, strict=True):
            each = slopes if gathered.shape[2] > 1 else slopes.sum(axis=2, keepdims=True)
            for t, code in self._observed(n, kind):
                gathered[code] += each[t]

    def slopes(self) -> dict[str, Floats]:
        """Slopes on shifts of ``sign_logit``, ``persistence``, ``reading_mean``, and of the
        logarithm of ``reading_sd``.
        """
        return self._of_signs() | self._of_readings()

    def _of_signs(self) -> dict[str, Floats]:
        codes, population = self.panel.signs.codes, self.population
        # d log P(answer) / d log-odds = +-(1 - P(answer)).
        chance = self._tables[0] ** (1.0 / self.power)
        toward = np.where(codes["seen"], 1.0, -1.0)[:, None]
        each = (self._gathered[0] * (1.0 - chance)).sum(axis=(2, 3)) * toward * self.power
        n = len(population.signs)
        return {
            "sign_logit": _sum_by(codes["sign"], each @ population.chain.gradual(), n),
            "persistence": _sum_by(codes["sign"], each.sum(axis=1) * codes["level"], n),
        }

    def _of_readings(self) -> dict[str, Floats]:
        codes, population = self.panel.readings.codes, self.population
        normals = reading_normals(self.panel, population)
        a, k, gradual = codes["analyte"], len(population.phases), population.chain.gradual()
        chance = np.maximum(self._tables[1][:, :, 0] ** (1.0 / self.power), _TINY)
        each = self.power * self._gathered[1][:, :, 0] / chance  # (C, S, D), on P itself
        on_mean, on_sd = _on_normal(normals, each * (1.0 - population.outlier))
        wide_mean, wide_sd = _on_wide(normals, each.sum(axis=1) * population.outlier)
        mean = np.einsum("csd,sk->ck", on_mean * (1.0 - normals.pull), gradual)
        mean += wide_mean[:, None] / k
        sd = np.einsum(
            "csd,sk,ckd->ck",
            on_sd * np.sqrt(1.0 - normals.pull**2),
            gradual,
            population.reading_sd[a],
        )
        widest = population.reading_sd[a].argmax(axis=1)  # (C, D)
        for phase in range(k):
            sd[:, phase] += (wide_sd * (widest == phase)).sum(axis=1)
        n = len(population.analytes)
        return {"reading_mean": _sum_by(a, mean, n), "reading_sd": _sum_by(a, sd, n)}


def _on_normal(normals: ReadingNormals, weight: Floats) -> tuple[Floats, Floats]:
    # Slopes of P(low < N < high), weighted, on mean and sd, shape (C, S, D).
    low = (normals.low[:, None, None] - normals.mean) / normals.sd
    high = (normals.high[:, None, None] - normals.mean) / normals.sd
    at_low, at_high = _density(low), _density(high)
    scaled = weight / normals.sd
    return scaled * (at_low - at_high), scaled * (_times(low, at_low) - _times(high, at_high))


def _on_wide(normals: ReadingNormals, weight: Floats) -> tuple[Floats, Floats]:
    # The same of readings that say nothing: on the mean (C,), on the log of the sd (C, D).
    low = (normals.low[:, None] - normals.wide_mean) / normals.wide_sd
    high = (normals.high[:, None] - normals.wide_mean) / normals.wide_sd
    at_low, at_high = _density(low), _density(high)
    mean = (weight * (at_low - at_high) / normals.wide_sd).sum(axis=1)
    return mean, weight * (_times(low, at_low) - _times(high, at_high))


class MoveSlopes:
    """Slopes gathered on how tanks move.

    Parameters
    ----------
    population : Population
    """

    def __init__(self, population: Population):
        self.population = population
        e, k, j = len(population.events), len(population.phases), len(population.covariates)
        self._slopes: dict[str, Floats] = {
            "log_advance": np.zeros(k),
            "log_setback": np.zeros(k),
            "log_collapse": np.zeros(k),
            "event_advance": np.zeros(e),
            "event_setback": np.zeros(e),
            "event_collapse": np.zeros(e),
            "husbandry": np.zeros((j, k)),
            "pace_sd": np.zeros(()),
        }

    def add(self, panel: Panel, n: int, hazards: Hazards, pace: Floats, moves: Floats) -> None:
        """Gather slopes on the probabilities of a tank's moves.

        Parameters
        ----------
        panel : Panel
        n : int
        hazards : Hazards
            Of the tank.
        pace : ndarray, shape (P,)
            Nodes, in standard deviations.
        moves : ndarray, shape (T-1, 4K+3, P, D)
        """
        advance, setback, collapse = _on_log_hazards(hazards, moves)
        rows = slice(int(panel.first[n]) + 1, int(panel.first[n + 1]))
        load, out = hazards.load[1:], self._slopes
        out["log_advance"] += advance.sum(axis=(0, 2, 3))
        out["husbandry"] += np.einsum("tj,tk->jk", panel.husbandry[rows], advance.sum(axis=(2, 3)))
        out["pace_sd"] += np.einsum("tkpd,p,d->", advance, pace, self.population.pace_sd)
        out["event_advance"] += np.einsum("ted,td->e", load, advance.sum(axis=(1, 2)))
        for name, slopes in (("setback", setback), ("collapse", collapse)):
            out[f"log_{name}"] += slopes.sum(axis=(0, 2))
            out[f"event_{name}"] += np.einsum("ted,td->e", load, slopes.sum(axis=1))

    def slopes(self) -> dict[str, Floats]:
        """Slopes on shifts of the parameters of moves; of ``pace_sd``, on its logarithm."""
        return dict(self._slopes)


def _on_log_hazards(hazards: Hazards, moves: Floats) -> tuple[Floats, Floats, Floats]:
    # advance (T-1, K, P, D); setback, collapse (T-1, K, D).
    factor, setback, collapse = hazards.with_load()
    k = hazards.advance.shape[1]
    live = (np.arange(k) > 0)[:, None, None]
    a = hazards.advance[1:] * factor[1:, None, None]
    b, c = setback[1:, :, None] * live, collapse[1:, :, None] * live
    on_a = np.zeros(a.shape)
    on_b, on_c = np.zeros(a.shape), np.zeros(a.shape)
    last = slice(k - 1, k)
    for states, advances, rows in (
        (slice(0, k), a, (slice(0, k), slice(k, 2 * k), slice(2 * k, 3 * k), slice(3 * k, 4 * k))),
        (last, 0 * a[:, last], tuple(slice(4 * k + i, 4 * k + i + 1) for i in (0, 0, 1, 2))),
    ):
        stay, ahead, back, fall = (moves[:, row] for row in rows)
        downs, falls = np.broadcast_to(b[:, states], advances.shape), c[:, states]
        total = advances + downs + falls
        keep = np.exp(-total)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(total > 1e-8, -np.expm1(-total) / total, 1.0)
            bend = np.where(total > 1e-5, (keep - share) / total, -0.5)
        common = bend * (advances * ahead + downs * back + falls * fall) - keep * stay
        on_a[:, states] += advances * (share * ahead + common)
        on_b[:, states] += downs * (share * back + common)
        on_c[:, states] += falls * (share * fall + common)
    return on_a, on_b.sum(axis=2), on_c.sum(axis=2)
