"""All questions about one tank, answered together."""

from __future__ import annotations

from dataclasses import dataclass, replace

from maturity_model._typing import Floats
from maturity_model.assessment.ammonia_now import RECENT_DAYS, unionised_now
from maturity_model.assessment.attribution import EventEffect, event_effects
from maturity_model.assessment.decisions import Decision, decide
from maturity_model.assessment.filtering import Tables
from maturity_model.assessment.first_passage import FirstPassage, time_to_mature
from maturity_model.assessment.next_checks import NextCheck, rank_by_information_gain
from maturity_model.assessment.observed import observed
from maturity_model.assessment.permissions import Record
from maturity_model.assessment.plan import Plan
from maturity_model.assessment.present import Present
from maturity_model.assessment.risk import Risk, slip_risks
from maturity_model.assessment.sojourn import SojournCheck, check_sojourn
from maturity_model.assessment.surprise import RecentSlip, Surprises, surprises
from maturity_model.assessment.weight_of_evidence import WeightOfEvidence, weigh_evidence
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.population.tables import Hazards


@dataclass(frozen=True)
class Questions:
    """The answers about one tank beyond its phase. Each type states its conditioning.

    Attributes
    ----------
    risks : tuple of Risk
        No plan first, then each kind of event today, then the plans. Empty where the first
        phase is the most probable, because nothing lies below it.
    first_passages : tuple of FirstPassage
        To the last phase: no plan first, then the plans.
    everything : bool
        False: only plans were asked about, and what follows is empty.
    event_effects : tuple of EventEffect
    sojourn : SojournCheck or None
    evidence : WeightOfEvidence or None
        None also for a log without any observation.
    surprises : Surprises or None
        None also for a log without any observation.
    next_checks : tuple of NextCheck
    decisions : tuple of Decision
    impossible : tuple of Plan
        Plans that cannot happen to this tank, such as stirring sand that is not there.
    """

    risks: tuple[Risk, ...]
    first_passages: tuple[FirstPassage, ...]
    everything: bool = False
    event_effects: tuple[EventEffect, ...] = ()
    sojourn: SojournCheck | None = None
    evidence: WeightOfEvidence | None = None
    surprises: Surprises | None = None
    next_checks: tuple[NextCheck, ...] = ()
    decisions: tuple[Decision, ...] = ()
    impossible: tuple[Plan, ...] = ()


def answer_questions(
    tables: Tables,
    n: int,
    mixture: FilteredMixture,
    hazards: Hazards,
    forecast: Floats,
    record: Record,
    *,
    everything: bool = True,
    plans: tuple[Plan, ...] = (),
) -> Questions:
    """Answer the questions about tank n.

    ``forecast``, shape (K,), is P(phase now | rock, events and husbandry alone); ``record`` comes
    without the alarm. Without ``everything``, only the risk of slipping and the time to mature are
    answered, under the plans.
    """
    present = Present(tables.panel, n, mixture, hazards, tables.pace)
    impossible = tuple(p for p in plans if not all(present.can_happen(s.kind) for s in p.steps))
    plans = tuple(p for p in plans if p not in impossible)
    # Below the first phase there is nothing to slip to.
    risks = slip_risks(present, plans) if present.phase else ()
    first_passages = tuple(time_to_mature(present, plan) for plan in (None, *plans))
    if not everything:
        return Questions(risks, first_passages, impossible=impossible)
    surprising = surprises(tables, n, mixture)
    recent = surprising.recent if surprising else RecentSlip(0.0, 0.0)
    record = replace(record, alarm=_alarmed_lately(tables, n, mixture, record, surprising))
    sojourn = check_sojourn(present, tables.node_prior.sum(axis=1))
    if record.silent:
        sojourn = replace(sojourn, contrasts=())
    return Questions(
        risks=risks,
        first_passages=first_passages,
        impossible=impossible,
        everything=True,
        event_effects=event_effects(present),
        sojourn=sojourn,
        evidence=weigh_evidence(tables, n, mixture, forecast),
        surprises=surprising,
        next_checks=rank_by_information_gain(tables, n, mixture),
        decisions=decide(present, recent, record, unionised_now(record.log)),
    )


def _alarmed_lately(
    tables: Tables, n: int, mixture: FilteredMixture, record: Record, newest: Surprises | None
) -> bool:
    """Whether a check-in of the last two weeks raised an alarm, the newest or not."""
    log = record.log
    # In silence no permission is asked for.
    if newest is None or record.silent or log.days_since(newest.date) > RECENT_DAYS:
        return False
    if newest.alarm:
        return True
    what = observed(tables.panel, n)
    recent = {o.checkin for kind in what for o in kind if log.days_since(o.date) <= RECENT_DAYS} - {
        newest.items[0].what.checkin
    }
    found = (surprises(tables, n, mixture, at, what) for at in recent)
    return any(said is not None and said.alarm for said in found)
