"""The model of design section 4 once more: dense, slow, one lane at a time.

Written from the definitions, straight from the log's rows, and shares nothing with the
package but the shapes of a logbook and of a population. Only for small logs.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.stats import norm

from maturity_model.logbook import Event, Logbook, Tank
from maturity_model.population import Population

STAGES = 3
PHASES = 4
STATES = PHASES * STAGES
WEEK = 7


@dataclass
class Answer:
    """What the package should say of one tank."""

    filtered: np.ndarray  # (T, K)
    smoothed: np.ndarray  # (T, K)
    forecast_only: np.ndarray  # (T, K)
    regression: np.ndarray  # (T, 2)
    slipped: np.ndarray  # (T,)
    log_likelihood: np.ndarray  # (T, D)


def equal_weights(log_likelihood: np.ndarray) -> np.ndarray:
    """Draws too few for their weights to be judged are left equal."""
    return np.full(log_likelihood.shape, 1 / log_likelihood.shape[1])


def middle_weights(j: int) -> np.ndarray:
    """Weights of the four phases' values in state j: linear between their middle stages."""
    middles = [1, 4, 7, 10]
    out = np.zeros(PHASES)
    if j <= middles[0]:
        out[0] = 1
    elif j >= middles[-1]:
        out[-1] = 1
    else:
        k = (j - 1) // 3
        out[k + 1] = (j - middles[k]) / 3
        out[k] = 1 - out[k + 1]
    return out


def transition(advance: np.ndarray, setback: np.ndarray, collapse: np.ndarray) -> np.ndarray:
    """Competing hazards (K,) to a dense matrix."""
    out = np.zeros((STATES, STATES))
    for j in range(STATES):
        phase = j // STAGES
        moves = []
        if j < STATES - 1:
            moves.append((j + 1, advance[phase]))
        if phase > 0:
            moves.append(((phase - 1) * STAGES, setback[phase]))
            moves.append((0, collapse[phase]))
        total = sum(h for _, h in moves)
        out[j, j] += math.exp(-total)
        for to, h in moves:
            if total > 0:
                out[j, to] += -math.expm1(-total) * h / total
    return out


def event_size(logbook: Logbook, event: Event) -> float:
    kind = logbook.catalogue.events[event.kind]
    if event.amount is None or kind.reference_amount is None:
        return 1.0
    share = (event.amount - kind.neutral_amount) / (kind.reference_amount - kind.neutral_amount)
    return float(np.clip(share, 0, 3))


class Slow:
    """One tank of a logbook under one population."""

    def __init__(
        self, logbook: Logbook, population: Population, name: str, as_of: dt.date, power: float
    ):
        self.logbook, self.population, self.power, self.as_of = logbook, population, power, as_of
        self.tank: Tank = logbook.tanks[name]
        self.checkins = [c for c in logbook.checkins if c.tank == name and c.date <= as_of]
        self.events = [e for e in logbook.events if e.tank == name and e.date <= as_of]
        self.weeks = self.week(as_of) + 1
        catalogue = logbook.catalogue
        self.event_names = list(catalogue.events)
        self.sign_names, self.analytes = list(catalogue.signs), list(population.analytes)
        # Lanes share their moves or their emissions.
        self.matrix, self.emission = cache(self.matrix), cache(self.emission)  # type: ignore[method-assign]

    def week(self, day: dt.date) -> int:
        return (day - self.tank.started).days // WEEK

    def end_of(self, t: int) -> dt.date:
        return min(self.tank.started + dt.timedelta(days=WEEK * t + 6), self.as_of)

    # -- moves ---------------------------------------------------------------------------

    def acts_on(self, event: Event) -> int:
        """The week whose beginning move the event is the first to act on."""
        week = self.week(event.date)
        looks = [c.date for c in self.checkins if self.week(c.date) == week]
        return week + 1 if looks and event.date > max(looks) else week

    def load(self, t: int, seen_from: int, d: int) -> np.ndarray:
        """Load of each kind of event on the move into week t, from what week `seen_from` knows."""
        out = np.zeros(len(self.event_names))
        for event in self.events:
            begin = self.acts_on(event)
            if self.week(event.date) > seen_from or begin > t:
                continue
            e = self.event_names.index(event.kind)
            memory = self.population.event_memory[e, d]
            out[e] += event_size(self.logbook, event) * math.exp(-(t - begin) / memory)
        return out

    def water(self, t: int) -> float:
        end = self.end_of(t)
        if self.tank.keeper:
            mine = {n for n, x in self.logbook.tanks.items() if x.keeper == self.tank.keeper}
        else:
            mine = {self.tank.name}
        logged = [e for e in self.logbook.events if e.kind == "water_change" and e.date <= end]
        if not any(e.tank in mine for e in logged):
            return 0.0
        recent = [
            e.amount
            for e in logged
            if e.tank == self.tank.name and e.date > end - dt.timedelta(days=28)
        ]
        return min(sum(recent) * 4 / min(4, t + 1) / 40, 1.5) - 0.6

    def hazards(self, t: int, seen_from: int, pace: float, d: int) -> tuple[np.ndarray, ...]:
        """Hazards on the move into week t; husbandry as it stands in week `seen_from`."""
        pop = self.population
        rock = {"dry": 0.0, "live": 1.0}.get(self.tank.rock or "", 0.5)
        x = {"live_rock": rock, "water_changed": self.water(min(t, seen_from))}
        log_a = pop.log_advance[:, d] + pace * pop.pace_sd[d]
        for j, name in enumerate(pop.covariates):
            log_a = log_a + x[name] * pop.husbandry[j, :, d]
        load = self.load(t, seen_from, d)
        log_a = log_a + load @ pop.event_advance[:, d]
        return (
            np.exp(log_a),
            np.exp(pop.log_setback[:, d] + load @ pop.event_setback[:, d]),
            np.exp(pop.log_collapse[:, d] + load @ pop.event_collapse[:, d]),
        )

    def matrix(self, t: int, seen_from: int, pace: float, d: int) -> np.ndarray:
        return transition(*self.hazards(t, seen_from, pace, d))

    # -- emissions -----------------------------------------------------------------------

    def level(self, name: str, i: int) -> float:
        """Balance of what was recorded for a sign before check-in i, at one of five levels."""
        balance = sum(
            (1 if c.signs[name] else -1) * 0.5 ** ((self.checkins[i].date - c.date).days / 14)
            for c in self.checkins[:i]
            if name in c.signs
        )
        share = balance / sum(0.5 ** (k / 2) for k in range(1, 400))
        size = 0.0 if abs(share) < 0.12 else 0.5 if abs(share) < 0.45 else 1.0
        return math.copysign(size, share)

    def checkin_likelihood(self, i: int, j: int, skill: float, d: int) -> float:
        c, out = self.checkins[i], 1.0
        for name in c.signs:
            out *= self.sign(i, name, j, skill, d)
        for name in c.readings:
            if name in self.analytes:
                out *= self.reading(i, name, j, d)
        if c.judged_phase is not None:
            out *= self.judgement(i, j, d)
        return out

    def sign(self, i: int, name: str, j: int, skill: float, d: int) -> float:
        pop, c = self.population, self.checkins[i]
        g = self.sign_names.index(name)
        logit = pop.sign_logit[g, :, d] @ middle_weights(j)
        logit += self.level(name, i) * pop.persistence[g, d]
        logit += pop.small[g] * pop.look_effect[["glance", "careful", "torch"].index(c.look), d]
        logit += pop.small[g] * skill * pop.skill_sd[d]
        return 1 / (1 + math.exp(-logit)) if c.signs[name] else 1 / (1 + math.exp(logit))

    def reading(self, i: int, name: str, j: int, d: int) -> float:
        pop, c = self.population, self.checkins[i]
        a = self.analytes.index(name)
        offset = self.logbook.catalogue.analytes[name].offset
        mean = pop.reading_mean[a, :, d] @ middle_weights(j)
        sd = pop.reading_sd[a, :, d] @ middle_weights(j)
        before = [b for b in self.checkins[:i] if name in b.readings]
        if before and (c.date - before[-1].date).days <= 28:
            gap = max((c.date - before[-1].date).days / 7, 1)
            pull = pop.carry[a, d] ** gap
            mean += pull * (math.log(before[-1].readings[name].best + offset) - mean)
            sd *= math.sqrt(1 - pull**2)
        r = c.readings[name]
        low = -math.inf if r.low <= 0 else math.log(r.low + offset)
        high = math.log(r.high + offset)
        wide_mean, wide_sd = pop.reading_mean[a, :, d].mean(), 2 * pop.reading_sd[a, :, d].max()
        p = (1 - pop.outlier[d]) * between(low, high, mean, sd)
        return p + pop.outlier[d] * between(low, high, wide_mean, wide_sd)

    def judgement(self, i: int, j: int, d: int) -> float:
        pop, c = self.population, self.checkins[i]
        named, true = pop.phases.index(c.judged_phase), j // STAGES
        others = {k: 0.5 ** abs(k - true) for k in range(PHASES) if k != true}
        accuracy = pop.judge_accuracy[d]
        fresh = accuracy if named == true else (1 - accuracy) * others[named] / sum(others.values())
        before = [b for b in self.checkins[:i] if b.judged_phase is not None]
        if not before or (c.date - before[-1].date).days > 28:
            return fresh
        repeat = pop.judge_repeat[d]
        return repeat * (before[-1].judged_phase == c.judged_phase) + (1 - repeat) * fresh

    def emission(self, skill: float, d: int, power: float) -> np.ndarray:
        out = np.ones((self.weeks, STATES))
        if power == 0:
            return out
        for i, c in enumerate(self.checkins):
            for j in range(STATES):
                out[self.week(c.date), j] *= self.checkin_likelihood(i, j, skill, d) ** power
        return out

    # -- one lane ------------------------------------------------------------------------

    def lane(self, pace: float, skill: float, d: int, power: float) -> dict[str, np.ndarray]:
        pop, weeks = self.population, self.weeks
        start = pop.start[list(self.logbook.catalogue.starts).index(self.tank.rock or "unknown")]
        matrices = [self.matrix(t, t, pace, d) for t in range(1, weeks)]
        emission = self.emission(skill, d, power)
        forward = np.empty((weeks, STATES))
        forward[0] = start * emission[0]
        for t in range(1, weeks):
            forward[t] = forward[t - 1] @ matrices[t - 1] * emission[t]
        backward = np.ones((weeks, STATES))
        for t in range(weeks - 2, -1, -1):
            backward[t] = matrices[t] @ (emission[t + 1] * backward[t + 1])
        down = np.zeros(weeks)
        lower = np.arange(STATES)[None, :] // STAGES < np.arange(STATES)[:, None] // STAGES
        for t in range(1, weeks):
            pair = forward[t - 1][:, None] * matrices[t - 1] * (emission[t] * backward[t])[None]
            down[t] = pair[lower].sum() / pair.sum()
        smoothed = forward * backward
        filtered = forward / forward.sum(axis=1, keepdims=True)
        return {
            "evidence": forward.sum(axis=1),
            "filtered": by_phase(filtered),
            "smoothed": by_phase(smoothed / smoothed.sum(axis=1, keepdims=True)),
            "slipped": down,
            "regression": np.array([self.risk(filtered[t], t, pace, d) for t in range(weeks)]),
        }

    def risk(self, now: np.ndarray, t: int, pace: float, d: int) -> list[float]:
        """P(lower phase at some week in t+1..t+h), h = 4 and 8: forwards, by starting phase."""
        phase = np.arange(STATES) // STAGES
        kept = [np.where(phase == k, now, 0) for k in range(PHASES)]
        out = []
        for h in range(1, 9):
            matrix = self.matrix(t + h, t, pace, d)
            kept = [np.where(phase >= k, x @ matrix, 0) for k, x in enumerate(kept)]
            if h in (4, 8):
                out.append(1 - sum(x.sum() for x in kept))
        return out

    # -- the mixture ---------------------------------------------------------------------

    def answer(
        self, nodes: tuple[int, int], draw_weights: Callable[[np.ndarray], np.ndarray]
    ) -> Answer:
        draws = self.population.n_draws
        found = self.mixture(nodes, draw_weights, self.power)
        blank = self.mixture(nodes, lambda x: np.full(x.shape, 1 / draws), 0.0)
        found.forecast_only = blank.filtered
        return found

    def mixture(
        self, nodes: tuple[int, int], draw_weights: Callable[[np.ndarray], np.ndarray], power: float
    ) -> Answer:
        draws = self.population.n_draws
        by_draw: list[dict[str, np.ndarray]] = []
        for d in range(draws):
            lanes, prior = [], []
            for (z, w), (y, v) in itertools.product(gauss(nodes[0]), gauss(nodes[1])):
                lanes.append(self.lane(z, y, d, power))
                prior.append(w * v)
            # (lanes, T): P(node, data to t)
            joint = np.array([p * lane["evidence"] for p, lane in zip(prior, lanes, strict=True)])
            weight = joint / joint.sum(axis=0)
            last = weight[:, -1]
            by_draw.append(
                {
                    "log_likelihood": np.log(joint.sum(axis=0)),
                    "filtered": mix(weight, lanes, "filtered"),
                    "regression": mix(weight, lanes, "regression"),
                    "smoothed": sum(w * x["smoothed"] for w, x in zip(last, lanes, strict=True)),
                    "slipped": sum(w * x["slipped"] for w, x in zip(last, lanes, strict=True)),
                }
            )
        log_likelihood = np.stack([x["log_likelihood"] for x in by_draw], axis=1)
        weight = draw_weights(log_likelihood).T  # (D, T)
        last = weight[:, -1]
        filtered = mix(weight, by_draw, "filtered")
        return Answer(
            filtered=filtered,
            smoothed=sum(w * x["smoothed"] for w, x in zip(last, by_draw, strict=True)),
            forecast_only=filtered,
            regression=mix(weight, by_draw, "regression"),
            slipped=sum(w * x["slipped"] for w, x in zip(last, by_draw, strict=True)),
            log_likelihood=log_likelihood,
        )


def mix(weight: np.ndarray, parts: list[dict[str, np.ndarray]], name: str) -> np.ndarray:
    return sum(w[:, None] * x[name] for w, x in zip(weight, parts, strict=True))


def by_phase(states: np.ndarray) -> np.ndarray:
    return states.reshape(len(states), PHASES, STAGES).sum(axis=2)


def between(low: float, high: float, mean: float, sd: float) -> float:
    a, b = (low - mean) / sd, (high - mean) / sd
    return float(norm.sf(a) - norm.sf(b)) if a > 0 else float(norm.cdf(b) - norm.cdf(a))


def gauss(n: int) -> list[tuple[float, float]]:
    """Nodes and weights of E f(Z), Z standard normal, from NumPy."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(n)
    return list(zip(nodes, weights / weights.sum(), strict=True))
