"""Whether a log as a whole looks like one that the model would have written.

Each answer is held against what the log before it led to expect. Signs seen again and again
more often, or more seldom, than expected, and readings that keep lying on one side, add up;
single surprises do not. It is meant to be cheap, so that the state is predicted by the mean
moves, and chances are averaged over draws and keepers one by one. The limit was set by
simulation: see ``reports/misfit``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.observed import only
from maturity_model.population.tables import reading_table, sign_table
from maturity_model.population.types import take_draws

if TYPE_CHECKING:
    from maturity_model.assessment.filtering import Tables
    from maturity_model.hmm.mixture import FilteredMixture


#: An excess from which a log is said to fit badly.
LIMIT = 3.5
#: Fewer signs and analytes with enough answers say nothing of the log as a whole.
FEWEST_ITEMS = 5
#: Fewer answers of a sign or analyte are not held against anything.
FEWEST = 5
#: Draws that chances are averaged over.
DRAWS = 32
#: Logistic distribution with the spread of a standard normal.
_LOGISTIC = np.sqrt(3) / np.pi


class Chances(NamedTuple):
    """Chances of a panel's distinct answers, by state; made once for all of its tanks.

    Attributes
    ----------
    signs : ndarray, shape (C, S)
        P(seen).
    low, high : ndarray, shape (C, S)
        P(value below the reading's interval), P(value above it).
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
        model is right. nan when there is too little to tell.
    items : int
        Signs and analytes with enough answers.
    sums : ndarray, shape (G + A,)
        Standardised sums of what was found less what was expected; nan without enough.
    """

    excess: float
    items: int
    sums: Floats

    @property
    def bad(self) -> bool:
        """Whether the log is said to fit badly."""
        return self.items >= FEWEST_ITEMS and self.excess >= LIMIT


def chances(tables: Tables) -> Chances:
    """Chances of all distinct answers, averaged over some of the draws and over keepers."""
    panel = tables.panel
    every = np.linspace(0, tables.population.n_draws - 1, DRAWS).round().astype(np.int64)
    # Keepers and tanks that the population knows play no part.
    population = take_draws(
        replace(tables.population, members=None), np.array(sorted(set(every.tolist())))
    )
    answer = sign_table(panel, population, tables.skill, 1.0).mean(axis=3)
    answer = answer @ tables.node_prior.sum(axis=0)
    was = panel.signs.codes["seen"].astype(bool)[:, None]
    codes = panel.readings.codes
    ends = []
    for name, value in (("high", np.inf), ("low", 0.0)):
        open_ended = codes.copy()
        open_ended[name] = value
        table = reading_table(replace(panel, readings=only(panel.readings, open_ended)),
                              population, 1.0)  # fmt: skip
        ends.append(1.0 - table.mean(axis=2))
    return Chances(np.where(was, answer, 1.0 - answer), ends[0], ends[1])


def _before(found: FilteredMixture, start: Floats) -> Floats:
    # P(state | log up to the week before) by the mean moves, shape (T, S).
    chain = found.chain
    after = np.einsum("tsd,td->ts", found.states, found.draw_weight)
    moves = found.moves[:, :, found.moves.shape[2] // 2].mean(axis=2)
    k, r = chain
    end = k * r - 1
    before = np.empty_like(after)
    before[0] = start
    now = after[:-1]
    row = np.append(np.repeat(np.arange(k), r)[:-1], 4 * k)
    new = moves[:, row] * now
    new[:, 1:] += moves[:, k + chain.phase_of[:-1]] * now[:, :-1]
    for phase in range(1, k):
        mass = now[:, phase * r : min((phase + 1) * r, end)].sum(axis=1)
        new[:, (phase - 1) * r] += moves[:, 2 * k + phase] * mass
        new[:, 0] += moves[:, 3 * k + phase] * mass
    new[:, (k - 2) * r] += moves[:, 4 * k + 1] * now[:, end]
    new[:, 0] += moves[:, 4 * k + 2] * now[:, end]
    before[1:] = new
    return before / before.sum(axis=1, keepdims=True)


def misfit(
    tables: Tables, n: int, found: FilteredMixture, known: Chances, weeks: int | None = None
) -> Misfit:
    """Hold all answers of tank n against what was to be expected.

    Parameters
    ----------
    tables : Tables
    n : int
    found : FilteredMixture
        Of tank n, under ``tables``.
    known : Chances
        Of ``tables``.
    weeks : int, optional
        Only the first weeks of the log.
    """
    panel = tables.panel
    before = _before(found, tables.population.start[panel.rock[n]])
    first = int(panel.first[n])
    last = int(panel.first[n + 1]) if weeks is None else first + weeks
    sums = []
    starts, codes = panel.signs.of_rows(first, last)
    week = np.repeat(np.arange(last - first), np.diff(starts))
    sign = panel.signs.codes["sign"][codes]
    seen = panel.signs.codes["seen"][codes].astype(float)
    p = np.clip((before[week] * known.signs[codes]).sum(axis=1), 1e-6, 1 - 1e-6)
    size = len(panel.catalogue.signs)
    answers = np.bincount(sign, minlength=size)
    gap, variance = np.bincount(sign, seen - p, size), np.bincount(sign, p * (1 - p), size)
    sums.append(np.where(answers >= FEWEST, gap / np.sqrt(np.maximum(variance, 0.25)), np.nan))
    starts, codes = panel.readings.of_rows(first, last)
    week = np.repeat(np.arange(last - first), np.diff(starts))
    analyte = panel.readings.codes["analyte"][codes]
    low = (before[week] * known.low[codes]).sum(axis=1)
    high = (before[week] * known.high[codes]).sum(axis=1)
    place = np.clip(0.5 * (low + 1 - high), 1e-4, 1 - 1e-4)
    z = _LOGISTIC * np.log(place / (1 - place))
    size = len(tables.population.analytes)
    answers = np.bincount(analyte, minlength=size)
    total = np.bincount(analyte, z, size) / np.sqrt(np.maximum(answers, 1))
    sums.append(np.where(answers >= FEWEST, total, np.nan))
    each = np.concatenate(sums)
    on = np.isfinite(each)
    return Misfit(float((each[on] ** 2).mean()) if on.any() else float("nan"), int(on.sum()), each)


class Misfits:
    """Asks of the tanks of a panel whether their logs fit badly.

    Parameters
    ----------
    tables : Tables
        Of all its tanks; what is known of a keeper or a tank beyond them is not used.
    """

    def __init__(self, tables: Tables):
        self.tables, self.chances = tables, chances(tables)

    def note(self, n: int, found: FilteredMixture) -> str:
        """What the page of tank n says of it; empty where the log fits well enough."""
        tables, catalogue = self.tables, self.tables.panel.catalogue
        fit = misfit(tables, n, found, self.chances)
        if not fit.bad:
            return ""
        labels = [s.label for s in catalogue.signs.values()]
        labels += [catalogue.analytes[name].label for name in tables.population.analytes]
        first, second = np.argsort(-np.abs(np.nan_to_num(fit.sums)), kind="stable")[:2]
        return (
            "This log fits the model badly: what was found kept differing from what the log "
            f"before it led to expect, most of all for {labels[first]} and {labels[second]}. "
            "The probabilities may be over-sure."
        )
