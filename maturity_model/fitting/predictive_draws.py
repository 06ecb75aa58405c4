"""Predictive draws: whole logbooks for the tanks, dates and looks of a panel.

Fixed are who looked when, how, and at what; events and husbandry; and the kits. Drawn are each
tank's path through the phases and every answer, in order, since an answer depends on those
before it.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.catalogue import LOOKS
from maturity_model.fitting.design import Design
from maturity_model.fitting.to_population import make_population
from maturity_model.hmm.staged import transition_matrices
from maturity_model.logbook import CheckIn, Logbook, Reading
from maturity_model.logbook.kits import Scale, assumed_method, between_steps
from maturity_model.logbook.units import default_unit, find_unit
from maturity_model.population.answer_draws import AnswerDraws, draw_path
from maturity_model.population.priors import Priors
from maturity_model.population.tables import tank_hazards

if TYPE_CHECKING:
    from maturity_model.panel import Panel


#: Stands for an answer that was not asked for.
NOT_ASKED = -1.0


def read_off(scale: Scale, x: float) -> tuple[float, float, float]:
    """What a kit makes of a true value of at least 0, in the canonical unit.

    The ends of the interval that the reading stands for, and the value written down.
    """
    if scale.steps:
        steps = np.array(scale.steps)
        best = float(steps[np.argmin(np.abs(steps - x))])
        return *between_steps(best, scale.steps, scale.analyte.range.low), best
    grain = scale.resolution or 0.01
    best = float(round(x / grain) * grain)
    return max(best - grain / 2, scale.analyte.range.low), best + grain / 2, best


@dataclass(frozen=True)
class Outcomes:
    """A panel's answers as one array, and the means to draw others.

    Attributes
    ----------
    panel : Panel
    checkins : tuple of tuple of CheckIn
        Of each tank.
    answers : tuple of str
        Signs, analytes, ``judged_phase``.
    values : ndarray, shape (N, C, Q)
        1 seen, 0 not seen; readings in canonical units; the index of the judged phase;
        -1 where nothing was asked. C check-ins at most.
    """

    panel: Panel
    checkins: tuple[tuple[CheckIn, ...], ...]
    answers: tuple[str, ...]
    values: Floats

    @classmethod
    def of(cls, panel: Panel, priors: Priors) -> Outcomes:
        """Those of the log itself."""
        by_tank: dict[str, list[CheckIn]] = {t.name: [] for t in panel.tanks}
        for c in panel.logbook.checkins:
            if c.date <= panel.as_of and c.tank in by_tank:
                by_tank[c.tank].append(c)
        checkins = tuple(tuple(cs) for cs in by_tank.values())
        answers = (*priors.signs, *priors.analytes, "judged_phase")
        index = {name: i for i, name in enumerate(answers)}
        most = max((len(cs) for cs in checkins), default=0)
        values = np.full((len(checkins), max(most, 1), len(answers)), NOT_ASKED)
        for n, cs in enumerate(checkins):
            for i, c in enumerate(cs):
                for name, seen in c.signs.items():
                    values[n, i, index[name]] = float(seen)
                for name, reading in c.readings.items():
                    if name in index:
                        values[n, i, index[name]] = reading.best
                if c.judged_phase is not None:
                    values[n, i, -1] = priors.phases.index(c.judged_phase)
        return cls(panel, checkins, answers, values)

    @functools.cached_property
    def _scales(self) -> dict[tuple[int, str, str], Scale]:
        # By tank, observer and analyte.
        return {
            (n, c.observer, name): self._scale(n, c.observer, name)
            for n, checkins in enumerate(self.checkins)
            for c in checkins
            for name in c.readings
        }

    def _scale(self, n: int, observer: str, name: str) -> Scale:
        # Of tank n, as when the log was read: the observer's own kit, the keeper's, the club's.
        keeper, analyte = self.panel.tanks[n].keeper, self.panel.catalogue.analytes[name]
        for who in (observer or keeper, keeper, ""):
            for kit in self.panel.logbook.kits:
                if kit.keeper == who and kit.analyte == name:
                    unit = find_unit(name, kit.unit) or default_unit(name)
                    return Scale(analyte, unit, kit.method, kit.steps, named=True)
        return Scale(analyte, default_unit(name), assumed_method(analyte))

    def draw(
        self,
        parameters: Mapping[str, Floats],
        priors: Priors,
        design: Design,
        rng: np.random.Generator,
    ) -> Floats:
        """Draw all answers again, shape (N, C, Q).

        The parameters are one draw, named as in :data:`.likelihood.PARAMETERS`.
        """
        draws = {k: np.asarray(v, float)[..., None] for k, v in parameters.items()}
        # Pace is given as it is, not in standard deviations.
        draws |= {"pace_sd": np.ones(1), "skill_sd": np.ones(1)}
        population = make_population(
            draws, priors, name="one draw", kind="elicited", evidence_weight=1.0
        )
        out = np.full(self.values.shape, NOT_ASKED)
        shifts = np.broadcast_to(parameters["tank_sign"], (len(out), len(priors.signs)))
        for n in range(len(self.checkins)):
            hazards = tank_hazards(self.panel, n, population, np.array([parameters["pace"][n]]))
            matrices = transition_matrices(hazards.moves()[:, :, 0, 0], population.chain)
            path = draw_path(population.start[self.panel.rock[n]], matrices, rng)
            answers = AnswerDraws(population, rng)
            shift = priors.small * parameters["skill"][design.keeper[n]] + shifts[n]
            answers.logit += shift[:, None]
            self._fill(n, answers, path, out[n])
        return out

    def _fill(self, n: int, answers: AnswerDraws, path: Ints, out: Floats) -> None:
        # The answers of tank n, in order, into an array of shape (C, Q).
        started = self.panel.tanks[n].started
        index = {name: i for i, name in enumerate(self.answers)}
        signs = len(answers.logit)
        for i, c in enumerate(self.checkins[n]):
            state = int(path[(c.date - started).days // 7])
            for name in c.signs:
                g = index[name]
                seen = answers.sign(g, c.date, LOOKS.index(c.look), state)
                answers.note_sign(g, c.date, seen)
                out[i, g] = float(seen)
            for name in c.readings:
                if name in index:
                    a = index[name] - signs
                    x = answers.reading(a, c.date, state)
                    best = read_off(self._scales[n, c.observer, name], x)[2]
                    answers.note_reading(a, c.date, best)
                    out[i, index[name]] = best
            if c.judged_phase is not None:
                out[i, -1] = float(answers.judgement(c.date, state))

    def to_logbook(self, values: Floats) -> Logbook:
        """The panel's logbook with other answers, shape (N, C, Q)."""
        made, signs = [], self.panel.catalogue.signs
        phases = tuple(self.panel.catalogue.phases)
        for n, checkins in enumerate(self.checkins):
            for i, c in enumerate(checkins):
                row = dict(zip(self.answers, values[n, i], strict=True))
                readings = {}
                for name in c.readings:
                    if name not in row:
                        continue
                    scale = self._scales[n, c.observer, name]
                    low, high, best = read_off(scale, row[name])
                    unit = scale.unit.name
                    readings[name] = Reading(f"{best:g}", low, high, best, unit, scale.method)
                judged = None if c.judged_phase is None else phases[int(row["judged_phase"])]
                seen = {name: row[name] > 0.5 for name in c.signs if name in signs}
                made.append(replace(c, signs=seen, readings=readings, judged_phase=judged))
        made.sort(key=lambda c: c.date)
        return replace(self.panel.logbook, checkins=tuple(made))
