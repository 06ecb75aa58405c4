"""From a population and a panel to the engine's arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maturity_model.hmm import native
from maturity_model.population.elicit import draw_sign
from maturity_model.population.types import Floats, Population

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.panel import Panel


class PopulationMismatch(ValueError):
    """Population and log do not fit together; the message says where."""


def fit_to_catalogue(population: Population, catalogue: Catalogue) -> Population:
    """Bring a population to a catalogue: order its signs, draw a club's own from their prior.

    Parameters
    ----------
    population : Population
    catalogue : Catalogue

    Returns
    -------
    Population
        Its signs are those of the catalogue, in that order.

    Raises
    ------
    PopulationMismatch
        When phases, analytes, events or husbandry differ, or a sign of the
        trade's list is missing.
    """
    for what, have, want in (
        ("phases", population.phases, tuple(catalogue.phases)),
        ("analytes", population.analytes, catalogue.informative),
        ("events", population.events, tuple(catalogue.events)),
        ("husbandry", population.covariates, tuple(catalogue.husbandry)),
        ("rock", population.rocks, tuple(catalogue.starts)),
    ):
        if have != want:
            raise PopulationMismatch(
                f"the population {population.name!r} has the {what} {', '.join(have)}, "
                f"the catalogue has {', '.join(want)}; fit or make it again with this version"
            )
    if population.signs == tuple(catalogue.signs):
        return population
    index = {name: i for i, name in enumerate(population.signs)}
    logit, persistence, small = [], [], []
    for sign in catalogue.signs.values():
        if sign.name in index:
            i = index[sign.name]
            logit.append(population.sign_logit[i])
            persistence.append(population.persistence[i])
            small.append(population.small[i])
        elif sign.own:
            drawn = draw_sign(sign, population.n_draws)
            logit.append(drawn[0])
            persistence.append(drawn[1])
            small.append(sign.small)
        else:
            raise PopulationMismatch(
                f"the population {population.name!r} knows no sign {sign.name!r}; "
                "fit or make it again with this version"
            )
    from dataclasses import replace

    return replace(
        population,
        signs=tuple(catalogue.signs),
        sign_logit=np.array(logit),
        persistence=np.array(persistence),
        small=np.array(small),
    )


def _gradual(population: Population, values: Floats) -> Floats:
    # (n, K, D) by phase -> (n, S, D) by state, moving gradually through the stages.
    return np.einsum("sk,nkd->nsd", population.chain.gradual(), values)


def sign_table(panel: Panel, population: Population, skill: Floats, power: float) -> Floats:
    """Likelihood of each distinct sign observation.

    Parameters
    ----------
    skill : ndarray, shape (Q,)
        Skill nodes, in standard deviations.
    power : float
        The evidence weight.

    Returns
    -------
    ndarray, shape (C, S, Q, D)
        P(answer | state, past sightings, way of looking, skill) ** power.
    """
    codes = panel.signs.codes
    sign = codes["sign"]
    by_state = _gradual(population, population.sign_logit)
    small = population.small[sign][:, None]
    shift = codes["level"][:, None] * population.persistence[sign]
    shift += small * population.look_effect[codes["look"]]
    skilled = small[:, :, None] * skill[None, :, None] * population.skill_sd
    logit = by_state[sign] + shift[:, None, :]
    out = np.empty((*logit.shape[:2], len(skill), logit.shape[2]))
    native.bernoulli_table(logit, skilled, np.where(codes["seen"], 1.0, -1.0), power, out)
    return out


def reading_table(panel: Panel, population: Population, power: float) -> Floats:
    """Likelihood of each distinct reading.

    Returns
    -------
    ndarray, shape (C, S, D)
        P(low < value < high | state, previous reading) ** power, with a small chance of
        a reading that says nothing.
    """
    codes = panel.readings.codes
    a = codes["analyte"]
    offset = population.offset[a]
    with np.errstate(divide="ignore"):
        # Nothing lies below zero: an interval that begins there begins at -inf.
        low = np.where(codes["low"] <= 0, -np.inf, np.log(codes["low"] + offset))
        high = np.log(codes["high"] + offset)
        previous = np.log(np.maximum(codes["previous"], 0.0) + offset)
    mean = _gradual(population, population.reading_mean)[a]
    sd = _gradual(population, population.reading_sd)[a]
    pull = np.where(
        codes["previous"][:, None] >= 0,
        population.carry[a] ** np.maximum(codes["gap"], 1.0)[:, None],
        0.0,
    )[:, None, :]
    mean = mean + pull * (previous[:, None, None] - mean)
    sd = sd * np.sqrt(1 - pull**2)
    out = np.empty_like(mean)
    wide_mean = population.reading_mean.mean(axis=1)[a]
    wide_sd = 2 * population.reading_sd.max(axis=1)[a]
    native.interval_table(
        low, high, mean, sd, wide_mean, wide_sd, population.outlier, power, out,
        np.empty(out.shape[2]),
    )  # fmt: skip
    return out


def judgement_table(panel: Panel, population: Population, power: float) -> Floats:
    """Likelihood of each distinct judged phase, shape (C, S, D).

    A judge names the true phase with a given accuracy, otherwise another, halving with
    each phase of distance; or, with a given chance, repeats the last judgement unseen.
    """
    codes = panel.judgements.codes
    k = len(population.phases)
    distance = np.abs(np.arange(k)[:, None] - np.arange(k))
    wrong = np.where(distance > 0, 0.5**distance, 0.0)
    wrong /= wrong.sum(axis=1, keepdims=True)
    accuracy = population.judge_accuracy
    # confusion[true, judged, draw]
    confusion = np.eye(k)[:, :, None] * accuracy + wrong[:, :, None] * (1 - accuracy)
    fresh = np.moveaxis(confusion[:, codes["phase"]], 1, 0)
    repeat = np.where(codes["previous"][:, None] >= 0, population.judge_repeat, 0.0)
    same = codes["phase"] == codes["previous"]
    p = repeat[:, None, :] * same[:, None, None] + (1 - repeat[:, None, :]) * fresh
    return np.repeat(p, population.n_stages, axis=1) ** power


@dataclass(frozen=True)
class Hazards:
    """Hazards of one tank, per week.

    Attributes
    ----------
    advance : ndarray, shape (T, K, P, D)
        As husbandry stands in week t, without events.
    load : ndarray, shape (T, E, D)
        Load of each event on the move into week t.
    pending : ndarray, shape (T, E)
        Event sizes that will act only on the move out of week t.
    """

    population: Population
    advance: Floats
    load: Floats
    pending: Floats

    def moves(self) -> Floats:
        """Probabilities of moves t-1 -> t for t = 1..T-1, shape (T-1, 4K+3, P, D)."""
        t, k, p, d = self.advance.shape
        factor, setback, collapse = _with_load(self.population, self.load)
        out = np.empty((t - 1, 4 * k + 3, p, d))
        native.move_lanes(
            self.advance, factor, np.ascontiguousarray(setback), np.ascontiguousarray(collapse), out
        )
        return out

    def ahead(self, horizon: int, extra: Floats | None = None) -> tuple[Floats, Floats, Floats]:
        """Hazards 1..horizon weeks ahead, seen from each week, without further events.

        Parameters
        ----------
        horizon : int
        extra : ndarray, shape (E,), optional
            Sizes of hypothetical events now.

        Returns
        -------
        factor : ndarray, shape (T, horizon, D)
            On the hazards of advancing.
        setback : ndarray, shape (T, horizon, K, D)
        collapse : ndarray, shape (T, horizon, K, D)
        """
        decay = np.exp(-1.0 / self.population.event_memory)
        now = self.load * decay + self.pending[:, :, None]
        if extra is not None:
            now = now + extra[:, None]
        fade = decay ** np.arange(horizon)[:, None, None]
        return _with_load(self.population, now[:, None] * fade)


def _with_load(population: Population, load: Floats) -> tuple[Floats, Floats, Floats]:
    # load (..., E, D) -> factor (..., D), setback (..., K, D), collapse (..., K, D)
    if not load.any():
        lead = load.shape[:-2]
        k_d = population.log_setback.shape
        return (
            np.ones((*lead, k_d[1])),
            np.broadcast_to(np.exp(population.log_setback), (*lead, *k_d)),
            np.broadcast_to(np.exp(population.log_collapse), (*lead, *k_d)),
        )
    factor = np.exp(np.einsum("ed,...ed->...d", population.event_advance, load))
    back = np.einsum("ed,...ed->...d", population.event_setback, load)
    fall = np.einsum("ed,...ed->...d", population.event_collapse, load)
    setback = np.exp(population.log_setback + back[..., None, :])
    collapse = np.exp(population.log_collapse + fall[..., None, :])
    return factor, setback, collapse


def tank_hazards(panel: Panel, n: int, population: Population, pace: Floats) -> Hazards:
    """Hazards of tank n at each pace node.

    Parameters
    ----------
    pace : ndarray, shape (P,)
        Pace nodes, in standard deviations.
    """
    rows = slice(int(panel.first[n]), int(panel.first[n + 1]))
    impulse, pending = panel.impulse[rows], panel.pending[rows]
    weeks = len(impulse)
    load = np.zeros((weeks, *population.event_memory.shape))
    if impulse.any() or pending.any():
        decay = np.exp(-1.0 / population.event_memory)
        for t in range(weeks):
            load[t] = impulse[t, :, None]
            if t > 0:
                load[t] += load[t - 1] * decay + pending[t - 1, :, None]
    base = population.log_advance + np.einsum(
        "tj,jkd->tkd", panel.husbandry[rows], population.husbandry
    )
    advance = np.exp(base)[:, :, None, :] * np.exp(pace[:, None] * population.pace_sd)
    return Hazards(population, advance, load, pending)
