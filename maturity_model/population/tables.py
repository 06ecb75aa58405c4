"""From a population and a panel to the engine's arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.catalogue import LOOKS
from maturity_model.hmm import native
from maturity_model.population.elicit import draw_sign
from maturity_model.population.judgements import judgement_probabilities
from maturity_model.population.readings import carried_over, on_log_scale, wide_normal
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.panel import Panel


#: Log hazard ratios beyond this make a move certain; a log of hundreds of events would overflow.
LARGEST_EFFECT = 100.0


class PopulationMismatch(ValueError):
    """Population and log do not fit together; the message says where."""


def fit_to_catalogue(population: Population, catalogue: Catalogue) -> Population:
    """Bring a population to a catalogue: order its signs, draw a club's own from their prior.

    Raises
    ------
    PopulationMismatch
        When phases, analytes, events, husbandry, kinds of rock or ways of looking differ,
        or a sign of the trade's list is missing.
    """
    for what, have, want in (
        ("phases", population.phases, tuple(catalogue.phases)),
        ("analytes", population.analytes, catalogue.informative),
        ("events", population.events, tuple(catalogue.events)),
        ("husbandry", population.covariates, tuple(catalogue.husbandry)),
        ("rock", population.rocks, tuple(catalogue.starts)),
        ("ways of looking", population.looks, LOOKS),
    ):
        if have != want:
            raise PopulationMismatch(
                f"the population {population.name!r} has the {what} {', '.join(have)}, "
                f"the catalogue has {', '.join(want)}; fit or make it again with this version"
            )
    if population.signs == tuple(catalogue.signs):
        return population
    index = {name: i for i, name in enumerate(population.signs)}
    of_tanks, rows = population.sign_tank_sd, []
    for sign in catalogue.signs.values():
        if sign.name in index:
            i = index[sign.name]
            spread = None if of_tanks is None else of_tanks[i]
            chances = population.sign_logit[i], population.persistence[i], population.small[i]
        elif sign.own:
            # Tanks differ in it as they do in the other signs.
            spread = None if of_tanks is None else of_tanks.mean(axis=0)
            chances = *draw_sign(sign, population.n_draws), sign.small
        else:
            raise PopulationMismatch(
                f"the population {population.name!r} knows no sign {sign.name!r}; "
                "fit or make it again with this version"
            )
        rows.append((*chances, spread))
    logit, persistence, small, spreads = zip(*rows, strict=True)
    return replace(
        population,
        signs=tuple(catalogue.signs),
        sign_logit=np.array(logit),
        persistence=np.array(persistence),
        small=np.array(small),
        sign_tank_sd=None if of_tanks is None else np.array(spreads),
    )


def _gradual(population: Population, values: Floats) -> Floats:
    # (n, K, D) by phase -> (n, S, D) by state, moving gradually through the stages.
    return np.einsum("sk,nkd->nsd", population.chain.gradual(), values)


def sign_table(panel: Panel, population: Population, skill: Floats, power: float) -> Floats:
    """Likelihood of each distinct sign observation.

    Parameters
    ----------
    skill : ndarray, shape (Q,) or (Q, D)
        Skill nodes, in standard deviations; the second where each draw has its own.
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
    nodes = skill if skill.ndim == 2 else skill[:, None]
    skilled = small[:, :, None] * nodes * population.skill_sd
    logit = by_state[sign] + shift[:, None, :]
    out = np.empty((*logit.shape[:2], len(skill), logit.shape[2]))
    native.bernoulli_table(logit, skilled, np.where(codes["seen"], 1.0, -1.0), power, out)
    return out


class ReadingNormals(NamedTuple):
    """What each distinct reading is held against, on the scale of log(x + offset).

    Attributes
    ----------
    low, high : ndarray, shape (C,)
        Ends of its interval.
    mean, sd : ndarray, shape (C, S, D)
        Given the state and the reading before.
    pull : ndarray, shape (C, 1, D)
        Weight of the reading before.
    wide_mean, wide_sd : ndarray, shape (C, D)
        Of a reading that says nothing.
    """

    low: Floats
    high: Floats
    mean: Floats
    sd: Floats
    pull: Floats
    wide_mean: Floats
    wide_sd: Floats


def reading_normals(panel: Panel, population: Population) -> ReadingNormals:
    """The normal distributions behind :func:`reading_table`."""
    codes = panel.readings.codes
    a = codes["analyte"]
    low, high, previous = on_log_scale(codes, population.offset[a])
    mean = _gradual(population, population.reading_mean)[a]
    sd = _gradual(population, population.reading_sd)[a]
    pull = np.where(
        codes["previous"][:, None] >= 0,
        population.carry[a] ** np.maximum(codes["gap"], 1.0)[:, None],
        0.0,
    )[:, None, :]
    mean, sd = carried_over(mean, sd, pull, previous[:, None, None])
    wide_mean, wide_sd = wide_normal(population.reading_mean, population.reading_sd)
    return ReadingNormals(low, high, mean, sd, pull, wide_mean[a], wide_sd[a])


def reading_table(panel: Panel, population: Population, power: float) -> Floats:
    """Likelihood of each distinct reading, shape (C, S, D).

    P(low < value < high | state, previous reading) ** power, with a small chance of a reading
    that says nothing.
    """
    low, high, mean, sd, _, wide_mean, wide_sd = reading_normals(panel, population)
    out = np.empty_like(mean)
    native.interval_table(
        low, high, mean, sd, wide_mean, wide_sd, population.outlier, power, out,
        np.empty(out.shape[2]),
    )  # fmt: skip
    return out


def judgement_table(panel: Panel, population: Population, power: float) -> Floats:
    """P(judged phase | state, judgement before) ** power of distinct ones, shape (C, S, D)."""
    codes = panel.judgements.codes
    chances = judgement_probabilities(
        population.judge_accuracy, population.judge_repeat, len(population.phases)
    )
    p = chances[codes["previous"] + 1, codes["phase"]]
    return np.asarray(np.repeat(p, population.n_stages, axis=1) ** power)


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

    def log_hazards(self) -> Floats:
        """Log hazards of advance, setback and collapse into each week, shape (T, 3, K, D).

        At the first pace node; -inf where there is no such move.
        """
        factor, setback, collapse = _with_load(self.population, self.load, np.zeros(1))
        advance = self.advance[:, :, 0] * factor[:, 0, None]
        with np.errstate(divide="ignore"):
            return np.log(np.stack([advance, setback[:, 0], collapse[:, 0]], axis=1))

    def moves(self) -> Floats:
        """Probabilities of moves t-1 -> t for t = 1..T-1, shape (T-1, 4K+3, P, D)."""
        t, k, p, d = self.advance.shape
        out = np.empty((t - 1, 4 * k + 3, p, d))
        factor, setback, collapse = _with_load(self.population, self.load, np.zeros(1))
        native.move_lanes(self.advance, factor, setback[:, 0], collapse[:, 0], out)
        return out

    def ahead(self, horizon: int) -> tuple[Floats, Floats, Floats]:
        """Hazards 1..horizon weeks ahead, seen from each week, without further events.

        Returns
        -------
        factor : ndarray, shape (T, horizon, 1, D)
            On the hazards of advancing, the same for all phases.
        setback, collapse : ndarray, shape (T, horizon, K, D)
        """
        decay = np.exp(-1.0 / self.population.event_memory)
        now = self.load * decay + self.pending[:, :, None]
        factor, setback, collapse = _with_load(self.population, now, np.arange(float(horizon)))
        return factor[:, :, None], setback, collapse

    def from_now(
        self, horizon: int, extra: Floats | None = None, change: Floats | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Hazards 1..horizon weeks ahead of the last week, as things may go.

        Parameters
        ----------
        extra : ndarray, shape (horizon, E), optional
            Sizes of events that act on each move to come. Default: none.
        change : ndarray, shape (horizon, J), optional
            Covariates on each move to come, less those of the last week. Default: 0.

        Returns
        -------
        factor : ndarray, shape (1, horizon, K or 1, D)
            On the last week's hazards of advancing: of each phase where husbandry changes.
        setback, collapse : ndarray, shape (1, horizon, K, D)
        """
        population = self.population
        decay = np.exp(-1.0 / population.event_memory)
        now = self.load[-1] * decay + self.pending[-1, :, None]
        ages = np.arange(float(horizon))
        if extra is None or not extra.any():
            factor, setback, collapse = (x[0] for x in _with_load(population, now[None], ages))
        else:
            fade = np.exp(-ages[:, None, None] / population.event_memory)
            load = now * fade
            for h, e in np.argwhere(extra):
                load[h:, e] += extra[h, e] * fade[: horizon - h, e]
            found = _with_load(population, load, np.zeros(1))
            factor, setback, collapse = (x[:, 0] for x in found)
        factor = factor[:, None]
        if change is not None:
            factor = factor * np.exp(np.einsum("hj,jkd->hkd", change, population.husbandry))
        return factor[None], setback[None], collapse[None]


def _with_load(population: Population, load: Floats, ages: Floats) -> tuple[Floats, ...]:
    # load (T, E, D), faded for each of the ages (H,) in weeks
    # -> factor (T, H, D), setback (T, H, K, D), collapse (T, H, K, D)
    effects = (population.event_advance, population.event_setback, population.event_collapse)
    # Few kinds of event happened, and some act on nothing (water changes are husbandry).
    acts = np.any([effect.any(axis=1) for effect in effects], axis=0) & load.any(axis=(0, 2))
    # All phases are acted on alike: one exponential for each move, not one by phase.
    times = np.zeros((3, len(load), len(ages), load.shape[2]))
    for e in np.flatnonzero(acts):
        left = load[:, None, e] * np.exp(-ages[:, None] / population.event_memory[e])
        for out, effect in zip(times, effects, strict=True):
            if effect[e].any():
                out += effect[e] * left
    if acts.any():
        np.minimum(times, LARGEST_EFFECT, out=times)
    np.exp(times, out=times)
    setback = np.exp(population.log_setback) * times[1][:, :, None]
    collapse = np.exp(population.log_collapse) * times[2][:, :, None]
    return times[0], setback, collapse


def tank_hazards(
    panel: Panel,
    n: int,
    population: Population,
    pace: Floats,
    since: int = 0,
    load_then: Floats | None = None,
) -> Hazards:
    """Hazards of tank n at each pace node, shape (P,), in standard deviations.

    ``since`` is the first week that is wanted; unless that is week 0, ``load_then``, shape (E, D),
    must be the load on the move into it.
    """
    rows = slice(int(panel.first[n]) + since, int(panel.first[n + 1]))
    impulse, pending = panel.impulse[rows], panel.pending[rows]
    weeks = len(impulse)
    load = np.zeros((weeks, *population.event_memory.shape))
    carried = load_then is not None and load_then.any()
    if impulse.any() or pending.any() or carried:
        decay = np.exp(-1.0 / population.event_memory)
        for t in range(weeks):
            load[t] = impulse[t, :, None] if t or load_then is None else load_then
            if t > 0:
                load[t] += load[t - 1] * decay + pending[t - 1, :, None]
    base = population.log_advance + np.einsum(
        "tj,jkd->tkd", panel.husbandry[rows], population.husbandry
    )
    advance = np.exp(base)[:, :, None, :] * np.exp(pace[:, None] * population.pace_sd)
    return Hazards(population, advance, load, pending)
