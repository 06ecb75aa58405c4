"""Many tanks under a population in JAX: filtered phases, by draw.

What :func:`.mixture.filter_mixture` does for one tank, for many at once: lanes are tanks x
nodes x draws, and the scan goes over weeks. Emissions are summed from tables inside the
scan, so that nothing of the size weeks x lanes is kept. Needs JAX; arrays may be in double
or in single precision, which all results then have.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

from maturity_model._typing import Floats
from maturity_model.fitting.jax import jax_chain, jax_tables
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.hmm.staged import StagedChain

if TYPE_CHECKING:
    from maturity_model.panel import Observations, Panel
    from maturity_model.population.types import Population

#: ``jax.Array``; its type is not known where JAX is not installed.
Array = Any
#: Log hazard ratios beyond this make a move certain (:data:`.tables.LARGEST_EFFECT`).
LARGEST_EFFECT = 100.0


class Tanks(NamedTuple):
    """N tanks on a grid of T weeks, shorter ones padded with weeks without anything.

    Attributes
    ----------
    sign, other : int ndarray, shape (T, N, M)
        Rows of the tables of signs, and of readings and judgements; the last row of a
        table stands for no observation.
    impulse, pending : ndarray, shape (T, N, E)
    husbandry : ndarray, shape (T, N, J)
    start : ndarray, shape (S, N)
        P(state in week 0).
    """

    sign: Any
    other: Any
    impulse: Any
    pending: Any
    husbandry: Any
    start: Any


class Filtered(NamedTuple):
    """Filtered tanks, by draw.

    Attributes
    ----------
    log_likelihood : array, shape (T, N, D)
        Of the observations to t, up to the same amount for all draws.
    phases : array, shape (T, K, N, D)
        P(phase at t | observations to t, draw).
    risk : array, shape (T, H, N, D), or None
        P(a lower phase than at t, some time in the next h weeks | observations to t, draw).
    """

    log_likelihood: Array
    phases: Array
    risk: Array | None = None


def _grid(kinds: list[tuple[Observations, int]], first: Any, last: Any, blank: int) -> Any:
    # Codes of each row, one after another, on the grid (T, N, M).
    weeks = int((last - first).max(initial=1))
    rows = np.concatenate([k.row for k, _ in kinds])
    codes = np.concatenate([k.code + shift for k, shift in kinds])
    begin, end = int(first[0]), int(last[-1])
    inside = (rows >= begin) & (rows < end)
    rows, codes = rows[inside] - begin, codes[inside]
    order = np.argsort(rows, kind="stable")
    rows, codes = rows[order], codes[order]
    count = np.bincount(rows, minlength=end - begin)
    place = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    tank = np.searchsorted(first - begin, rows, side="right") - 1
    # A few sizes only: each compiles anew.
    most = -(-max(int(count.max(initial=0)), 1) // 4) * 4
    out = np.full((weeks, len(first), most), blank, dtype=np.int32)
    out[rows - (first - begin)[tank], tank, place] = codes
    return out


def lay_out(panel: Panel, population: Population, tanks: slice = slice(None)) -> Tanks:
    """Lay tanks of a panel out for :func:`filter_tanks`.

    Parameters
    ----------
    panel : Panel
    population : Population
        For the first week.
    tanks : slice
        Which, in the panel's order and without gaps.
    """
    first, last = panel.first[:-1][tanks], panel.first[1:][tanks]
    weeks = int((last - first).max(initial=1))
    row = np.minimum(first + np.arange(weeks)[:, None], last - 1)
    beyond = first + np.arange(weeks)[:, None] >= last

    def spread(values: Floats) -> Floats:
        return np.where(beyond[:, :, None], 0.0, values[row])

    signs, readings = len(panel.signs.codes), len(panel.readings.codes)
    others = [(panel.readings, 0), (panel.judgements, readings)]
    return Tanks(
        _grid([(panel.signs, 0)], first, last, signs),
        _grid(others, first, last, readings + len(panel.judgements.codes)),
        spread(panel.impulse),
        spread(panel.pending),
        spread(panel.husbandry),
        np.ascontiguousarray(population.start[panel.rock[tanks]].T),
    )


class Members(NamedTuple):
    """A population as the filter needs it: hazards, and nodes of pace.

    Attributes
    ----------
    log_advance, log_setback, log_collapse : array, shape (K, D)
    husbandry : array, shape (J, K, D)
    effect : array, shape (3, E, D)
        Of events on advance, setback and collapse.
    memory : array, shape (E, D)
    pace : array, shape (P, D)
        Log pace at each node.
    log_node : array, shape (P, Q)
        Log weights of the nodes.
    """

    log_advance: Any
    log_setback: Any
    log_collapse: Any
    husbandry: Any
    effect: Any
    memory: Any
    pace: Any
    log_node: Any


def members(population: Population, nodes: tuple[int, int] = (5, 3)) -> Members:
    """Hazards of a population at the nodes of pace and skill."""
    pace, pace_weight = normal_nodes(nodes[0])
    _, skill_weight = normal_nodes(nodes[1])
    p = population
    return Members(
        p.log_advance,
        # Nothing lies below phase 0; the filter leaves its entry out.
        np.maximum(p.log_setback, -700.0),
        np.maximum(p.log_collapse, -700.0),
        p.husbandry,
        np.stack([p.event_advance, p.event_setback, p.event_collapse]),
        p.event_memory,
        pace[:, None] * p.pace_sd,
        np.log(np.outer(pace_weight, skill_weight)),
    )


def log_tables(
    panel: Panel, population: Population, power: float, nodes: int = 3
) -> tuple[Floats, Floats]:
    """Log-likelihood of each distinct observation, with a last row of zeros.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order (:func:`.tables.fit_to_catalogue`).
    power : float
        The evidence weight.
    nodes : int
        Of skill.

    Returns
    -------
    signs : array, shape (S, C + 1, Q, D)
    others : array, shape (S, C + 1, 1, D)
        Readings, then judgements.
    """
    p, gradual = population, population.chain.gradual()
    skill = normal_nodes(nodes)[0]
    codes = panel.signs.codes
    sign = codes["sign"]
    shift = codes["level"][:, None] * p.persistence[sign]
    shift = shift + p.small[sign][:, None] * p.look_effect[codes["look"]]
    skilled = p.small[sign][:, None, None] * skill[:, None] * p.skill_sd
    logit = jnp.einsum("sk,ckd->scd", gradual, p.sign_logit[sign])
    seen = np.where(codes["seen"], 1.0, -1.0)[:, None, None]
    signs = jax.nn.log_sigmoid(seen * (logit[:, :, None] + (shift[:, None] + skilled)))
    others = jnp.concatenate([_readings(panel, p, gradual), _judgements(panel, p)], axis=1)
    return tuple(
        jnp.concatenate(
            [
                power * x if power else jnp.zeros_like(x),
                jnp.zeros_like(x, shape=(x.shape[0], 1, *x.shape[2:])),
            ],
            1,
        )
        for x in (signs, others[:, :, None])
    )


def _readings(panel: Panel, p: Population, gradual: Floats) -> Array:
    codes = panel.readings.codes
    a = codes["analyte"]
    if not len(a):
        return jnp.zeros((len(gradual), 0, p.n_draws))
    offset = p.offset[a]
    with np.errstate(divide="ignore"):
        low = np.where(codes["low"] <= 0, -np.inf, np.log(np.maximum(codes["low"], 0) + offset))
        high = np.log(codes["high"] + offset)
        previous = np.log(np.maximum(codes["previous"], 0.0) + offset)
    known = (codes["previous"] >= 0)[:, None]
    pull = np.where(known, p.carry[a] ** np.maximum(codes["gap"], 1.0)[:, None], 0.0)[:, None]
    mean = jnp.einsum("sk,ckd->csd", gradual, p.reading_mean[a])
    mean = mean + pull * (previous[:, None, None] - mean)
    sd = jnp.einsum("sk,ckd->csd", gradual, p.reading_sd[a]) * jnp.sqrt(1 - pull**2)
    wide = p.reading_mean.mean(axis=1)[a], 2 * p.reading_sd.max(axis=1)[a]
    return jnp.moveaxis(jax_tables.interval_table(low, high, mean, sd, *wide, p.outlier), 1, 0)


def _judgements(panel: Panel, p: Population) -> Array:
    codes, k = panel.judgements.codes, len(p.phases)
    distance = np.abs(np.arange(k)[:, None] - np.arange(k))
    wrong = np.where(distance > 0, 0.5**distance, 0.0)
    wrong /= wrong.sum(axis=1, keepdims=True)
    right = p.judge_accuracy
    confusion = np.eye(k)[:, :, None] * right + wrong[:, :, None] * (1 - right)
    repeat = np.where(codes["previous"][:, None] >= 0, p.judge_repeat, 0.0)
    same = (codes["phase"] == codes["previous"])[:, None]
    table = repeat * same + (1 - repeat) * confusion[:, codes["phase"]]
    return jnp.repeat(jnp.log(table), p.n_stages, axis=0)


def _emission(table: Array, codes: Array) -> Array:
    # Sum of table rows, (S, C, Q, D) by codes (N, M) -> (S, N, Q, D); gathers in a row fuse.
    out = table[:, codes[:, 0]]
    for m in range(1, codes.shape[1]):
        out = out + table[:, codes[:, m]]
    return out


def _move_rates(p: Members, load: Array, husbandry: Array) -> jax_chain.Rates:
    # load (E, N, D), husbandry (N, J) -> rates, (K, N, P, 1, D).
    times = jnp.minimum(jnp.einsum("med,end->mnd", p.effect, load), LARGEST_EFFECT)
    times = times[:, None, :, None, None, :]
    base = p.log_advance[:, None] + jnp.einsum("nj,jkd->knd", husbandry, p.husbandry)
    advance = jnp.exp(base[:, :, None, None] + p.pace[:, None] + times[0])
    setback = jnp.exp(p.log_setback[:, None, None, None] + times[1])
    collapse = jnp.exp(p.log_collapse[:, None, None, None] + times[2])
    return jax_chain.rates_of(advance, setback, collapse)


@partial(jax.jit, static_argnames=("n_stages", "horizons"))
def filter_tanks(
    tanks: Tanks,
    signs: Array,
    others: Array,
    p: Members,
    n_stages: int,
    horizons: tuple[int, ...] = (),
) -> Filtered:
    """Filter tanks under all nodes and draws, nodes mixed within each draw.

    Parameters
    ----------
    tanks : Tanks
    signs, others : array
        From :func:`log_tables`.
    p : Members
    n_stages : int
    horizons : tuple of int
        Weeks ahead that the risk of slipping is asked for; it costs several times the filter.

    Returns
    -------
    Filtered
    """
    decay = jnp.exp(-1.0 / p.memory)[:, None]
    lanes = (p.log_node.shape[0], p.log_node.shape[1], p.memory.shape[1])
    states, n = tanks.start.shape

    def risk(alpha: Array, weight: Array, load: Array, pending: Array, husbandry: Array) -> Array:
        # No further events; husbandry as it stands. Nodes of skill move alike.
        load = decay * load + pending.T[:, :, None]
        return jax_chain.downward_risk(
            (alpha * weight).sum(axis=3),
            lambda h: _move_rates(p, load * decay**h, husbandry),
            horizons,
            n_stages,
        ).sum(axis=2)

    def observed(predicted: Array, joint: Array, week: Any, load: Array) -> Any:
        sign, other, pending, husbandry = week
        log_lik = _emission(signs, sign) + _emission(others, other)
        emission, top = jax_chain.relative(log_lik)
        alpha = predicted * emission[:, :, None]
        total = alpha.sum(axis=0)
        possible = total > jax_chain._tiny(total.dtype)
        safe = jnp.where(possible, total, 1.0)
        alpha = jnp.where(possible, alpha / safe, 0.0)
        joint = joint + jnp.where(possible, jnp.log(safe), -jnp.inf) + top[:, None]
        high = joint.max(axis=(1, 2), keepdims=True)
        high = jnp.where(high > -jnp.inf, high, 0.0)
        share = jnp.exp(joint - high)
        mass = share.sum(axis=(1, 2))
        log_likelihood = jnp.log(mass) + high[:, 0, 0]
        phases = alpha.reshape(-1, n_stages, *alpha.shape[1:]).sum(axis=1)
        mass = jnp.where(mass > 0, mass, 1.0)
        phases = (phases * share).sum(axis=(2, 3)) / mass
        slip = None
        if horizons:
            slip = risk(alpha, share / mass[:, None, None], load, pending, husbandry)
        return alpha, joint, Filtered(log_likelihood, phases, slip)

    def one(carry: Any, at: Any) -> Any:
        alpha, joint, load = carry
        arrived, week = at
        load = arrived.T[:, :, None] + decay * load
        predicted = jax_chain.step(alpha, _move_rates(p, load, week[3]), n_stages)
        alpha, joint, out = observed(predicted, joint, week, load)
        return (alpha, joint, load), out

    start = jnp.broadcast_to(tanks.start[:, :, None, None, None], (states, n, *lanes))
    joint = jnp.broadcast_to(p.log_node[:, :, None], (n, *lanes))
    load = jnp.broadcast_to(tanks.impulse[0].T[:, :, None], (len(p.memory), n, lanes[2]))
    weeks = tanks.sign, tanks.other, tanks.pending, tanks.husbandry
    alpha, joint, first = observed(start, joint, tuple(x[0] for x in weeks), load)
    arrived = tanks.impulse[1:] + tanks.pending[:-1]
    later = arrived, tuple(x[1:] for x in weeks)
    _, rest = jax.lax.scan(one, (alpha, joint, load), later)
    return jax.tree.map(lambda a, b: jnp.concatenate([a[None], b]), first, rest)


class GpuFilter:
    """Filters tanks of a panel wherever JAX computes, and gives what the weekly path gives.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order (:func:`.tables.fit_to_catalogue`).
    evidence_weight : float, optional
        Default: the population's own.
    nodes : tuple of int
        Quadrature nodes for pace and skill.
    """

    def __init__(
        self,
        panel: Panel,
        population: Population,
        evidence_weight: float | None = None,
        nodes: tuple[int, int] = (5, 3),
    ) -> None:
        power = population.evidence_weight if evidence_weight is None else evidence_weight
        self.panel, self.population = panel, population
        self.chain: StagedChain = population.chain
        self.tables = log_tables(panel, population, power, nodes[1])
        self.members = jax.tree.map(jnp.asarray, members(population, nodes))

    def filter(self, tanks: slice = slice(None)) -> Filtered:
        """Filter some tanks, by draw; padded weeks hold no meaning."""
        laid = lay_out(self.panel, self.population, tanks)
        return filter_tanks(laid, *self.tables, self.members, n_stages=self.chain.n_stages)

    def phases(self, tanks: slice = slice(None)) -> list[Floats]:
        """P(phase at t | observations to t) of each tank, shape (T, K).

        Draws are weighted by :func:`.psis.trusted_weights`, on the processor: the same
        as :meth:`.mixture.FilteredMixture.phases`.
        """
        from maturity_model.hmm.mixture import MIN_EFFECTIVE_SHARE, k_limit
        from maturity_model.hmm.psis import trusted_weights

        log_likelihood, phases = (np.asarray(x) for x in self.filter(tanks)[:2])
        draws, first = log_likelihood.shape[2], self.panel.first
        out = []
        for i, n in enumerate(range(*tanks.indices(len(first) - 1))):
            weeks = int(first[n + 1] - first[n])
            found = trusted_weights(log_likelihood[:weeks, i], k_limit(draws), MIN_EFFECTIVE_SHARE)
            mixed = np.einsum("tkd,td->tk", phases[:weeks, :, i], found.weight)
            out.append(np.clip(mixed, 0.0, 1.0))
        return out
