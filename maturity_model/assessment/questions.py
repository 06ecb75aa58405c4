"""All questions about one tank, answered together."""

from __future__ import annotations

from dataclasses import dataclass

from maturity_model._typing import Floats
from maturity_model.assessment.attribution import EventEffect, event_effects
from maturity_model.assessment.cautions import Caution, unionised_now
from maturity_model.assessment.decisions import Decision, decide
from maturity_model.assessment.filtering import Tables
from maturity_model.assessment.first_passage import Waiting, time_to_mature
from maturity_model.assessment.next_checks import Look, where_to_look
from maturity_model.assessment.plan import Plan
from maturity_model.assessment.present import Present
from maturity_model.assessment.risk import Risk, slipping
from maturity_model.assessment.sojourn import Stuck, stuck
from maturity_model.assessment.surprise import Lately, Surprises, surprises
from maturity_model.assessment.weight_of_evidence import Why, why
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.logbook import CheckIn, Event
from maturity_model.population.tables import Hazards


@dataclass(frozen=True)
class Questions:
    """What was asked of one tank beyond its phase; the conditioning is with each type.

    Attributes
    ----------
    risks : tuple of Risk
        No plan first, then each kind of event today, then the plans.
    waiting : tuple of Waiting
        No plan first, then the plans.
    everything : bool
        False: only plans were asked about, and what follows is empty.
    event_effects : tuple of EventEffect
    stuck : Stuck or None
    why : Why or None
        None also for a log without any observation.
    surprises : Surprises or None
        None also for a log without any observation.
    looks : tuple of Look
    decisions : tuple of Decision
    """

    risks: tuple[Risk, ...]
    waiting: tuple[Waiting, ...]
    everything: bool = False
    event_effects: tuple[EventEffect, ...] = ()
    stuck: Stuck | None = None
    why: Why | None = None
    surprises: Surprises | None = None
    looks: tuple[Look, ...] = ()
    decisions: tuple[Decision, ...] = ()


def answer_questions(
    tables: Tables,
    n: int,
    found: FilteredMixture,
    hazards: Hazards,
    forecast: Floats,
    checkins: tuple[CheckIn, ...],
    events: tuple[Event, ...],
    cautions: tuple[Caution, ...],
    *,
    everything: bool = True,
    plans: tuple[Plan, ...] = (),
) -> Questions:
    """Answer the questions about tank n.

    Parameters
    ----------
    tables : Tables
    n : int
    found : FilteredMixture
        Of tank n, under ``tables``.
    hazards : Hazards
        Of tank n.
    forecast : ndarray, shape (K,)
        P(phase now | rock, events and husbandry alone).
    checkins, events, cautions : tuple
        The tank's, up to the day of the panel.
    everything : bool
        False: only the risk of slipping and the time to mature, under the plans.
    plans : tuple of Plan
        What-ifs of one's own.

    Returns
    -------
    Questions
    """
    here = Present(tables.panel, n, found, hazards, tables.pace)
    risks = slipping(here, plans)
    waiting = tuple(time_to_mature(here, plan) for plan in (None, *plans))
    if not everything:
        return Questions(risks, waiting)
    panel = tables.panel
    said = surprises(tables, n, found, tables.evidence_weight)
    recent = said.lately if said else Lately(0.0, 0.0)
    ammonia = unionised_now(panel.tanks[n], checkins, panel.as_of, panel.catalogue)
    effects = event_effects(here)
    lagging = stuck(here, tables.node_prior.sum(axis=1))
    looks = where_to_look(tables, n, found)
    decisions = decide(here, recent, events, cautions, ammonia)
    reasons = why(tables, n, found, forecast)
    return Questions(risks, waiting, True, effects, lagging, reasons, said, looks, decisions)
