"""One-step-ahead prediction of check-ins, and the evidence weight that follows from it.

The filter raises what was seen to the power ω; the check-in to come is scored by its plain
likelihood (Dawid 1984, *JRSS A* 147: 278-292), since a power is not a probability of
anything.

Where the model is right, the residual of a one-step-ahead prediction has mean zero given the
past, so the residuals of a sign, summed over a tank's weeks, have the variance that the
predictions themselves state. A tank whose sign is always likelier than predicted makes the sum
larger. The excess estimates how far tanks shift their signs (by moments, as DerSimonian and
Laird 1986, *Controlled Clinical Trials* 7: 177-188, estimate how far trials differ).

Any weight near 1 predicts the next check-in about equally well, even where tanks behave
differently from the model: a wrong phase can predict a tank's signs well. So the score is
reported but does not choose: the shifts do, and simulated clubs show which weight then finds
the phases best.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.fitting.power_tables import checkins_by_tank, powers_of_fit, weeks_and_codes
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import Population, thin_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Weights that are tried.
GRID = (0.15, 0.25, 0.35, 0.4, 0.5, 0.65, 0.8, 1.0)
#: Nodes for pace and skill, as in the weekly path; most draws mixed over, evenly spaced.
NODES, DRAWS = (5, 3), 64


class OneStep(NamedTuple):
    """Check-ins predicted one step ahead.

    Attributes
    ----------
    weights : tuple of float
        Evidence weights of the filter.
    score : ndarray, shape (N, W)
        log P(check-in | log up to the week before), summed over the weeks of a tank.
    residual, variance : ndarray, shape (N, G)
        By tank and sign: seen less predicted, summed over weeks, and the variance that the
        predictions state for it; filtered with a weight of 1.
    checkins : int ndarray, shape (N,)
        Weeks with a check-in.
    """

    weights: tuple[float, ...]
    score: Floats
    residual: Floats
    variance: Floats
    checkins: Ints

    def per_checkin(self) -> Floats:
        """Mean score of a check-in by weight, shape (W,)."""
        return np.asarray(self.score.sum(axis=0) / self.checkins.sum())

    @property
    def shift_variance(self) -> float:
        """Variance of tanks' own shifts of a sign's log-odds, from the excess of the residuals.

        By moments, to first order: a residual is its variance times the shift, plus noise of that
        variance. It may be negative, and the filtered phases absorb some of the shifts:
        :func:`weight_for` allows for that.
        """
        excess = self.residual**2 - self.variance
        return float(excess.sum() / (self.variance**2).sum())

    @property
    def weight(self) -> float:
        """The evidence weight with which the weekly path should use the population."""
        return weight_for(self.shift_variance)

    def provenance(self) -> dict[str, str]:
        """Entries for the population's file."""
        scores = zip(self.weights, self.per_checkin(), strict=True)
        return {
            "evidence_weight_chosen_by": "tanks' own shifts of signs, estimated from what "
            "one-step-ahead predictions missed; reports/pooling",
            "sign_shift_variance": f"{self.shift_variance:.3f}",
            "one_step_score_per_checkin": "; ".join(f"{w:g}: {s:.4f}" for w, s in scores),
        }


def _predict(tables: Tables, n: int, draw_weight: Floats) -> Floats:
    # P(state, skill, draw | log up to the week before) of tank n, shape (T, S, Q, D). Without
    # the moves: what was predicted is what was filtered, divided by the emission.
    filtered, _ = filter_tank(tables, n)
    ahead = filtered.filtered * filtered.scale[:, :, :, None]
    before = np.empty_like(filtered.node_weight)
    before[:, :, 0] = tables.node_prior[:, :, None]
    before[:, :, 1:] = filtered.node_weight[:, :, :-1]
    log_draw = np.log(draw_weight) + np.concatenate(
        [np.zeros((1, len(draw_weight))), filtered.log_likelihood[:-1]]
    )
    share = np.exp(log_draw - log_draw.max(axis=1, keepdims=True))
    lane = before * (share / share.sum(axis=1, keepdims=True))
    out = np.einsum("pqtsd,pqtd->tsqd", ahead, lane) / filtered.emission
    return np.asarray(out / out.sum(axis=(1, 2, 3), keepdims=True))


def _residuals(panel: Panel, n: int, predicted: Floats, seen: Floats) -> tuple[Floats, Floats]:
    # Residual and its variance by sign, shape (G,); `seen` is P(seen) by code, (C, S, Q, D).
    week, code = weeks_and_codes(panel, n, panel.signs)
    p = np.array([np.vdot(predicted[t], seen[c]) for t, c in zip(week, code, strict=True)])
    cells, size = panel.signs.codes[code], len(panel.catalogue.signs)
    residual, variance = (
        np.bincount(cells["sign"], x, size).astype(np.float64)
        for x in (cells["seen"] - p, p * (1 - p))
    )
    return residual, variance


def one_step_ahead(
    panel: Panel,
    population: Population,
    weights: tuple[float, ...] = GRID,
    *,
    in_fit: bool = True,
) -> OneStep:
    """Score each check-in as the log up to the week before predicts it, filtered at each weight.

    If the panel's tanks were in the population's fit (``in_fit``), each is taken out of it by
    importance weights, as in :func:`.leave_one_out.loo_by_tank`.
    """
    population = thin_draws(fit_to_catalogue(population, panel.catalogue), DRAWS)
    plain = make_tables(panel, population, 1.0, NODES)
    tables = [make_tables(panel, population, weight, NODES) for weight in weights]
    was_seen = panel.signs.codes["seen"].astype(bool)[:, None, None, None]
    seen = np.where(was_seen, plain.signs, 1.0 - plain.signs)
    n_tanks, n_draws = len(panel.tanks), population.n_draws
    draw_weight = np.full((n_tanks, n_draws), 1.0 / n_draws)
    if in_fit:
        own = tank_log_likelihood(panel, population, powers_of_fit(population))
        draw_weight = np.maximum(smooth_weights(-own)[0], 1e-300)
    score = np.empty((n_tanks, len(weights)))
    residual, variance = np.zeros((2, n_tanks, len(panel.catalogue.signs)))
    for n in range(n_tanks):
        emission, log_scale = plain.scaled_emission(n)
        for w, weighted in enumerate(tables):
            predicted = _predict(weighted, n, draw_weight[n])
            each = np.log(np.einsum("tsqd,tsqd->t", predicted, emission)) + log_scale
            score[n, w] = each.sum()
        predicted = _predict(plain, n, draw_weight[n])
        residual[n], variance[n] = _residuals(panel, n, predicted, seen)
    return OneStep(tuple(weights), score, residual, variance, checkins_by_tank(panel))


#: Estimated shift variance of a pool, and the evidence weight that then finds phases best in
#: simulated clubs: reports/pooling, table of weights.
WEIGHT_BY_SHIFT = (
    (0.0, 1.0), (0.1, 1.0), (0.35, 0.8), (0.64, 0.7), (0.82, 0.5), (1.1, 0.4), (1.34, 0.3),
)  # fmt: skip


def weight_for(shift_variance: float) -> float:
    """The evidence weight at a :attr:`OneStep.shift_variance`, to the nearest 0.05."""
    x, y = zip(*WEIGHT_BY_SHIFT, strict=True)
    return round(round(float(np.interp(shift_variance, x, y)) * 20) / 20, 2)
