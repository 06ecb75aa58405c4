"""The package's own model run forwards, as rows of a logbook."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from maturity_model._typing import Ints
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.rows import Rows
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.population import Population, elicit_population
from maturity_model.population.types import take_draws

#: Name to meaning.
MODEL_PRESETS = {
    "typical": "every tank has parameters of its own, drawn from the priors of practice",
    "club": "all tanks share one draw of the parameters, as a pooled fit assumes",
    "shifted": "one draw, and tanks with ways of their own that the model lacks",
}
#: Spread of a tank's own shifts: the 'strong' world of the study of the evidence weight.
_SHIFTED: dict[str, Any] = {"sign_effect_sd": 1.2, "reading_effect_sd": 0.7}
#: Chance of a judgement at a check-in of a judged tank.
_JUDGED = 0.6
_DRAWS = 256
#: Share of answers that are a coin's, when observers are worse; weeks skipped by phase.
_ANSWER_ERROR = 0.3
_SKIPPING = (1.0, 0.8, 0.5, 0.2)
_BLOOM = 1


def simulate_model(
    n_tanks: int,
    weeks: int,
    seed: int,
    start: dt.date,
    preset: str,
    broken: Mapping[str, str],
    *,
    batch: int,
    judged: float,
    judge_accuracy: float,
    weekly_tests: bool,
) -> tuple[Rows, Ints]:
    """Rows, and the true phase of each tank in each of ``weeks`` weeks."""
    catalogue = load_catalogue()
    # Another seed than any default population's: the truth is a fresh draw of the priors.
    population = elicit_population(catalogue, 1.0, n_draws=_DRAWS, seed=7_000_003 + seed)
    population = _changed(population, broken, judge_accuracy)
    habits = Habits(
        weeks=weeks,
        judged=_JUDGED if judged else 0.0,
        judged_tanks=judged or 1.0,
        checkin_by_phase=_SKIPPING if "skipping" in broken else (),
        answer_error=_ANSWER_ERROR if "observers" in broken else 0.0,
        kit_steps=1 if "kit_bias" in broken else 0,
        missing=(broken["missing_sign"],) if "missing_sign" in broken else (),
        weekly_tests=weekly_tests,
        skipped_phase=_BLOOM if "phase_skipped" in broken else None,
    )
    if preset == "shifted":
        habits = replace(habits, **_SHIFTED)
    if preset != "typical":
        # One draw for the world, whatever the batch.
        population = take_draws(
            population, np.random.default_rng([seed, 18]).integers(_DRAWS, size=1)
        )
    rng = np.random.default_rng([seed, 17, batch])
    found = simulate_logbook(population, catalogue, n_tanks, rng, habits)
    rows = _rows(found.logbook, start, f"{batch}-" if batch else "", f"{preset} {seed}")
    return rows, np.stack(found.phases)


def _rows(book: Logbook, start: dt.date, mark: str, club: str) -> Rows:
    # Names get the mark of their batch, and the first day becomes the start.
    later = start - next(iter(book.tanks.values())).started

    def day(date: dt.date) -> str:
        return (date + later).isoformat()

    def named(name: str) -> str:
        return name.replace("-", f"-{mark}")

    return Rows(
        [
            {
                "tank": named(t.name), "keeper": named(t.keeper), "club": club,
                "started": day(t.started), "rock": t.rock or "",
            }
            for t in book.tanks.values()
        ],
        [
            {"tank": named(c.tank), "date": day(c.date), "look": c.look}
            | ({"judged_phase": c.judged_phase} if c.judged_phase else {})
            | {name: "y" if seen else "n" for name, seen in c.signs.items()}
            | {name: reading.text for name, reading in c.readings.items()}
            for c in book.checkins
        ],
        [
            {
                "tank": named(e.tank), "date": day(e.date), "event": e.kind,
                "amount": "" if e.amount is None else f"{e.amount:g}",
            }
            for e in book.events
        ],
        [
            {"analyte": name, "method": "colour_chart", "unit": book.catalogue.analytes[name].unit}
            for name in book.catalogue.informative
        ],
    )  # fmt: skip


def _changed(population: Population, broken: Mapping[str, str], accuracy: float) -> Population:
    population = replace(
        population, judge_accuracy=np.full_like(population.judge_accuracy, accuracy)
    )
    if "persistence" in broken:
        population = replace(population, persistence=2 * population.persistence)
    if "observers" in broken:
        population = replace(population, skill_sd=2 * population.skill_sd)
    return population
