"""Whether a log as a whole looks like one that the model would have written.

Each answer is compared with its probability given the log before it. Differences that
always point the same way add up, sign by sign and analyte by analyte; single surprises do
not. It has to be cheap, so the state is predicted with the mean moves, and probabilities are
averaged over draws and keepers. The limit was set by simulation: see ``reports/misfit``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import Tables
from maturity_model.assessment.observed import codes_only
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.hmm.staged import step_lanes
from maturity_model.panel import Observations
from maturity_model.population.tables import reading_table, sign_table
from maturity_model.population.types import take_draws

#: Excess at or above which a log fits badly.
LIMIT = 3.5
#: Signs and analytes with enough answers that a verdict takes.
FEWEST_ITEMS = 5
#: Answers of a sign or analyte that are enough.
FEWEST = 5
#: Draws that probabilities are averaged over.
DRAWS = 32
#: Scale of a logistic distribution with the spread of a standard normal.
_LOGISTIC = np.sqrt(3) / np.pi


class AnswerProbabilities(NamedTuple):
    """Probabilities of a panel's distinct answers, by state; computed once for all its tanks.

    Attributes
    ----------
    signs : ndarray, shape (C, S)
        P(seen | state).
    low, high : ndarray, shape (C, S)
        P(value below the reading's interval | state), P(value above it | state).
    """

    signs: Floats
    low: Floats
    high: Floats


class Misfit(NamedTuple):
    """How badly a log fits.

    Attributes
    ----------
    excess : float
        Mean square of the standardised sums, over signs and analytes; about 1 where the
        model is right. nan where too little was logged.
    items : int
        Signs and analytes with enough answers.
    sums : ndarray, shape (G + A,)
        Standardised sums of observed minus expected; nan without enough answers.
    """

    excess: float
    items: int
    sums: Floats

    @property
    def bad(self) -> bool:
        """Whether the log fits badly."""
        return self.items >= FEWEST_ITEMS and self.excess >= LIMIT


def answer_probabilities(tables: Tables) -> AnswerProbabilities:
    """Probabilities of all distinct answers, averaged over some of the draws and over keepers."""
    panel = tables.panel
    every = np.linspace(0, tables.population.n_draws - 1, DRAWS).round().astype(np.int64)
    # Members of the pool hold a skill for each draw, which is not used here.
    population = take_draws(replace(tables.population, members=None), np.unique(every))
    answer = sign_table(panel, population, tables.skill, 1.0).mean(axis=3)
    answer = answer @ tables.node_prior.sum(axis=0)
    seen = panel.signs.codes["seen"].astype(bool)[:, None]
    codes = panel.readings.codes
    ends = []
    for name, value in (("high", np.inf), ("low", 0.0)):
        open_ended = codes.copy()
        open_ended[name] = value
        readings = replace(panel, readings=codes_only(panel.readings, open_ended))
        ends.append(1.0 - reading_table(readings, population, 1.0).mean(axis=2))
    return AnswerProbabilities(np.where(seen, answer, 1.0 - answer), ends[0], ends[1])


def _before(mixture: FilteredMixture, start: Floats) -> Floats:
    """P(state | log up to the week before) under the mean moves, shape (T, S)."""
    after = np.einsum("tsd,td->ts", mixture.states, mixture.draw_weight)
    moves = mixture.moves[:, :, mixture.moves.shape[2] // 2].mean(axis=2)
    # The weeks take the place of the lanes.
    moved = step_lanes(after[:-1, None, :, None], moves.T[:, :, None], mixture.chain)
    before = np.concatenate([start[None], moved[:, 0, :, 0]])
    return before / before.sum(axis=1, keepdims=True)


def misfit(
    tables: Tables,
    n: int,
    mixture: FilteredMixture,
    expected: AnswerProbabilities,
    weeks: int | None = None,
) -> Misfit:
    """Compare all answers of tank n (of the first ``weeks``) with what was to be expected."""
    panel = tables.panel
    before = _before(mixture, tables.population.start[panel.rock[n]])
    first = int(panel.first[n])
    last = int(panel.first[n + 1]) if weeks is None else first + weeks

    week, codes = _answers(panel.signs, first, last)
    sign = panel.signs.codes["sign"][codes]
    seen = panel.signs.codes["seen"][codes].astype(float)
    p = np.clip((before[week] * expected.signs[codes]).sum(axis=1), 1e-6, 1 - 1e-6)
    size = len(panel.catalogue.signs)
    answers = np.bincount(sign, minlength=size)
    gap, variance = np.bincount(sign, seen - p, size), np.bincount(sign, p * (1 - p), size)
    signs = np.where(answers >= FEWEST, gap / np.sqrt(np.maximum(variance, 0.25)), np.nan)

    week, codes = _answers(panel.readings, first, last)
    analyte = panel.readings.codes["analyte"][codes]
    low = (before[week] * expected.low[codes]).sum(axis=1)
    high = (before[week] * expected.high[codes]).sum(axis=1)
    # Where the middle of the interval lies in the predicted distribution, on a normal scale.
    place = np.clip(0.5 * (low + 1 - high), 1e-4, 1 - 1e-4)
    z = _LOGISTIC * np.log(place / (1 - place))
    size = len(tables.population.analytes)
    answers = np.bincount(analyte, minlength=size)
    total = np.bincount(analyte, z, size) / np.sqrt(np.maximum(answers, 1))
    readings = np.where(answers >= FEWEST, total, np.nan)

    sums = np.concatenate([signs, readings])
    enough = sums[np.isfinite(sums)]
    excess = float((enough**2).mean()) if len(enough) else float("nan")
    return Misfit(excess, len(enough), sums)


def _answers(kind: Observations, first: int, last: int) -> tuple[Ints, Ints]:
    """Week and code of each observation in rows first..last-1 of the grid."""
    starts, codes = kind.of_rows(first, last)
    return np.repeat(np.arange(last - first), np.diff(starts)), codes


def misfit_notes(
    tables: Tables, expected: AnswerProbabilities, n: int, mixture: FilteredMixture
) -> tuple[str, ...]:
    """The note on the log of tank n, or none where it fits well enough.

    ``tables`` are those of all tanks, which ``expected`` was computed for.
    """
    catalogue, fit = tables.panel.catalogue, misfit(tables, n, mixture, expected)
    if not fit.bad:
        return ()
    labels = [s.label for s in catalogue.signs.values()]
    labels += [catalogue.analytes[name].label for name in tables.population.analytes]
    first, second = np.argsort(-np.abs(np.nan_to_num(fit.sums)), kind="stable")[:2]
    return (
        "This log fits the model badly: what was found kept differing from what the log "
        f"before it led to expect, most of all for {labels[first]} and {labels[second]}. "
        "The probabilities may be over-sure.",
    )
