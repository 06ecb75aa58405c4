"""Gradient of a filter's score on a population's parameters.

:mod:`.label_score` gives the gradient on log emissions and on the probabilities of moves; the
chain rule carries it on to what signs show, what kits read and how tanks move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.power_tables import Powers, power_tables, weeks_and_codes
from maturity_model.population.tables import Hazards, reading_normals
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.panel import Panel


def _sum_by(index: Ints, values: Floats, n: int) -> Floats:
    out = np.zeros((n, *values.shape[1:]))
    np.add.at(out, index, values)
    return out


def _interval_gradient(
    low: Floats, high: Floats, mean: Floats, sd: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    # Gradient of weight * P(low < N(mean, sd) < high) on the mean and on the log of the sd.
    ends = (low - mean) / sd, (high - mean) / sd
    densities = [np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) for z in ends]
    # z times its density is 0 at infinity.
    at_low, at_high = (
        np.where(np.isfinite(z), z, 0.0) * p for z, p in zip(ends, densities, strict=True)
    )
    return weight / sd * (densities[0] - densities[1]), weight * (at_low - at_high)


class ObservationGradient:
    """Gradient gathered on the look-up tables of a panel's observations.

    The population's signs stand in the catalogue's order; ``nodes`` are quadrature nodes for pace
    and skill, ``power`` is the evidence weight.

    Attributes
    ----------
    tables : Tables
        Of signs and readings; judgements are left out.
    """

    def __init__(self, panel: Panel, population: Population, nodes: tuple[int, int], power: float):
        self.panel, self.population, self.power = panel, population, power
        self.tables = power_tables(panel, population, Powers(power, power, 0.0), nodes)
        self._on_log_signs = np.zeros_like(self.tables.signs)
        self._on_log_readings = np.zeros_like(self.tables.readings)

    def add(self, n: int, gradient: Floats) -> None:
        """Add the gradient on the log emissions of a tank, shape (T, S, Q, D)."""
        for kind, total, by_week in (
            (self.panel.signs, self._on_log_signs, gradient),
            (self.panel.readings, self._on_log_readings, gradient.sum(axis=2)),
        ):
            for t, code in zip(*weeks_and_codes(self.panel, n, kind), strict=True):
                total[code] += by_week[t]

    def by_parameter(self) -> dict[str, Floats]:
        """Gradient on shifts of ``sign_logit``, ``persistence``, ``reading_mean``, and of the
        logarithm of ``reading_sd``.
        """
        return self._on_signs() | self._on_readings()

    def _on_signs(self) -> dict[str, Floats]:
        codes, population = self.panel.signs.codes, self.population
        # d log P(answer) / d log-odds = +-(1 - P(answer)).
        p = self.tables.signs ** (1.0 / self.power)
        direction = np.where(codes["seen"], 1.0, -1.0)[:, None]
        by_state = (self._on_log_signs * (1.0 - p)).sum(axis=(2, 3)) * direction * self.power
        n = len(population.signs)
        return {
            "sign_logit": _sum_by(codes["sign"], by_state @ population.chain.gradual(), n),
            "persistence": _sum_by(codes["sign"], by_state.sum(axis=1) * codes["level"], n),
        }

    def _on_readings(self) -> dict[str, Floats]:
        codes, population = self.panel.readings.codes, self.population
        normals = reading_normals(self.panel, population)
        a, k, gradual = codes["analyte"], len(population.phases), population.chain.gradual()
        p = np.maximum(self.tables.readings ** (1.0 / self.power), 1e-300)
        on_p = self.power * self._on_log_readings / p  # (C, S, D)
        low, high = normals.low[:, None], normals.high[:, None]
        on_mean, on_log_sd = _interval_gradient(
            low[:, None], high[:, None], normals.mean, normals.sd, on_p * (1.0 - population.outlier)
        )
        wide_mean, wide_log_sd = _interval_gradient(
            low, high, normals.wide_mean, normals.wide_sd, on_p.sum(axis=1) * population.outlier
        )
        mean = np.einsum("csd,sk->ck", on_mean * (1.0 - normals.pull), gradual)
        mean += wide_mean.sum(axis=1)[:, None] / k
        sd = np.einsum(
            "csd,sk,ckd->ck",
            on_log_sd / normals.sd * np.sqrt(1.0 - normals.pull**2),
            gradual,
            population.reading_sd[a],
        )
        widest = population.reading_sd[a].argmax(axis=1)  # (C, D)
        for phase in range(k):
            sd[:, phase] += (wide_log_sd * (widest == phase)).sum(axis=1)
        n = len(population.analytes)
        return {"reading_mean": _sum_by(a, mean, n), "reading_sd": _sum_by(a, sd, n)}


class MoveGradient:
    """The gradient gathered on how tanks move."""

    def __init__(self, population: Population):
        self.population = population
        e, k, j = len(population.events), len(population.phases), len(population.covariates)
        self._total: dict[str, Floats] = {
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
        """Add the gradient on the probabilities of tank n's moves, shape (T-1, 4K+3, P, D).

        The pace nodes, (P,), are in standard deviations.
        """
        advance, setback, collapse = _on_log_hazards(hazards, moves)
        rows = slice(int(panel.first[n]) + 1, int(panel.first[n + 1]))
        load, total = hazards.load[1:], self._total
        total["log_advance"] += advance.sum(axis=(0, 2, 3))
        by_phase = advance.sum(axis=(2, 3))
        total["husbandry"] += np.einsum("tj,tk->jk", panel.husbandry[rows], by_phase)
        total["pace_sd"] += np.einsum("tkpd,p,d->", advance, pace, self.population.pace_sd)
        total["event_advance"] += np.einsum("ted,td->e", load, advance.sum(axis=(1, 2)))
        for name, gradient in (("setback", setback), ("collapse", collapse)):
            total[f"log_{name}"] += gradient.sum(axis=(0, 2))
            total[f"event_{name}"] += np.einsum("ted,td->e", load, gradient.sum(axis=1))

    def by_parameter(self) -> dict[str, Floats]:
        """Gradient on shifts of the parameters of moves; of ``pace_sd``, on its logarithm."""
        return dict(self._total)


def _on_log_hazards(hazards: Hazards, moves: Floats) -> tuple[Floats, Floats, Floats]:
    # Gradient on log hazards: advance (T-1, K, P, D); setback and collapse (T-1, K, D).
    factor, setback, collapse = hazards.with_load()
    k = hazards.advance.shape[1]
    exists = (np.arange(k) > 0)[:, None, None]
    advance = hazards.advance[1:] * factor[1:, None, None]
    setback, collapse = setback[1:, :, None] * exists, collapse[1:, :, None] * exists
    on_advance, on_setback, on_collapse = np.zeros((3, *advance.shape))
    last = slice(k - 1, k)
    # Rows of `moves` that stay, advance, set back and collapse: of the usual stages of each
    # phase, then of the last stage of the last phase, which cannot advance.
    usual = tuple(slice(i * k, (i + 1) * k) for i in range(4))
    final = tuple(slice(4 * k + i, 4 * k + i + 1) for i in (0, 0, 1, 2))
    for states, a, rows in (
        (slice(0, k), advance, usual),
        (last, 0 * advance[:, last], final),
    ):
        stay, ahead, back, fall = (moves[:, row] for row in rows)
        b, c = np.broadcast_to(setback[:, states], a.shape), collapse[:, states]
        total = a + b + c
        keep = np.exp(-total)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(total > 1e-8, -np.expm1(-total) / total, 1.0)
            bend = np.where(total > 1e-5, (keep - share) / total, -0.5)
        common = bend * (a * ahead + b * back + c * fall) - keep * stay
        on_advance[:, states] += a * (share * ahead + common)
        on_setback[:, states] += b * (share * back + common)
        on_collapse[:, states] += c * (share * fall + common)
    return on_advance, on_setback.sum(axis=2), on_collapse.sum(axis=2)
