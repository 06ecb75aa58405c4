"""What to do or leave alone: rules with the probability that each needs.

The rules are rows of ``catalogue/data/decisions.csv``. A rule names the condition that must
be probable and the costs of the two mistakes; its threshold follows from the costs. No rule
names a dose or a diagnosis, and an urgent caution overrules every probability. A permission
needs evidence too, however probable its condition (:mod:`.permissions`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal, cast

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.ammonia_now import CHRONIC_MG_L, Unionised
from maturity_model.assessment.evidence import Missing
from maturity_model.assessment.intervals import Estimate, estimate
from maturity_model.assessment.permissions import Permission, Record, missing_evidence
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.present import Present
from maturity_model.assessment.risk import slip_probability
from maturity_model.assessment.surprise import RecentSlip
from maturity_model.catalogue import DecisionRule, load_decisions

Verdict = Literal["yes", "wait", "not now"]

#: Weeks within which a slip counts.
HORIZON = 8


@dataclass(frozen=True, slots=True)
class Decision:
    """What a rule recommends for one tank today.

    Attributes
    ----------
    rule : DecisionRule
    verdict : {'yes', 'wait', 'not now'}
        ``yes``: the probability reaches the rule's threshold. ``wait``: it does not, but its 95 %
        quantile over draws does, so another look may settle it. ``not now``: neither does.
        A caution may overrule.
    probability : Estimate
        Of the rule's condition, given the log; see :data:`QUANTITIES`.
    why : str
        The rule's reason, or that of what overruled it.
    overruled : bool
        Whether a caution, missing evidence or another decision, not the probability, gave the
        verdict.
    cautions : tuple of str
        The rule's own, then the titles of the cautions that apply now.
    missing : tuple of Missing
        For a permission: the evidence that the log lacks, whatever the probability.
    remedy : bool
        Whether a caution that applies now asks for it by name; it then leads the others.
    """

    rule: DecisionRule
    verdict: Verdict
    probability: Estimate
    why: str
    overruled: bool
    cautions: tuple[str, ...]
    missing: tuple[Missing, ...] = ()
    remedy: bool = False

    @property
    def lacks_evidence(self) -> bool:
        """Whether the condition is probable enough, and evidence alone is missing."""
        return bool(self.missing) and self.probability.mean >= self.rule.threshold

    @property
    def action(self) -> str:
        """Name of the rule."""
        return self.rule.name


def _place(present: Present, phase: str) -> int:
    return list(present.panel.catalogue.phases).index(phase)


def _slips_after(present: Present, event: str) -> Floats:
    amount = present.panel.catalogue.events[event].reference_amount
    return slip_probability(present, Plan(event, (Step(event, amount),)), (HORIZON,))[0]


#: Conditions that a rule can name; each gives a probability by draw, shape (D,), given the log.
#:
#: - ``phase at least X``: P(phase now is X or later); ``phase is X``: P(it is X).
#: - ``present phase uncertain``: P(phase now is not the most probable one).
#: - ``slipped lately``, ``fallen lately``: see ``surprise.RecentSlip``, at most 1.
#: - ``no slip within 8 weeks``: P(no lower phase than now in the next 8 weeks | no further event).
#: - ``no look for weeks``: certain; the rule applies only then.
#: - ``slips within 8 weeks after X``: P(some lower phase than now in the next 8 weeks | event X
#:   today, at its listed amount).
#:
#: A number stands for the same one in every draw.
QUANTITIES: Mapping[str, Callable[[Present, str, RecentSlip], Floats | float]] = {
    "phase at least": lambda now, phase, recent: now.phases[_place(now, phase) :].sum(axis=0),
    "phase is": lambda now, phase, recent: now.phases[_place(now, phase)],
    "present phase uncertain": lambda now, item, recent: 1.0 - now.phases[now.phase],
    "slipped lately": lambda now, item, recent: min(recent.slipped, 1.0),
    "fallen lately": lambda now, item, recent: recent.fell,
    "no slip within 8 weeks": lambda now, item, recent: (
        1.0 - slip_probability(now, None, (HORIZON,))[0]
    ),
    "no look for weeks": lambda now, item, recent: 1.0,
    "slips within 8 weeks after": lambda now, event, recent: _slips_after(now, event),
}


def decide(
    present: Present,
    recent: RecentSlip,
    record: Record,
    ammonia: Unionised | None,
    rules: Mapping[str, DecisionRule] | None = None,
) -> tuple[Decision, ...]:
    """Go through the rules for one tank.

    Parameters
    ----------
    recent : RecentSlip
        ``Surprises.recent``, or ``RecentSlip(0, 0)`` without any observation.
    record : Record
        The tank's log and cautions; its events show whether it holds livestock.
    ammonia : Unionised or None
        ``ammonia_now.unionised_now``.
    rules : mapping, optional
        Default: those that ship with the package.

    Returns
    -------
    tuple of Decision
        In the order of the rules, without those that do not apply.
    """
    rules = load_decisions() if rules is None else rules
    stocked = any(e.kind == "livestock_added" for e in record.log.events)
    applies = {"silent"} if record.silent else {"always", "stocked" if stocked else "unstocked"}
    events = present.panel.catalogue.events
    out = []
    for rule in rules.values():
        if rule.applies not in applies:
            continue
        if rule.item in events and not present.can_happen(rule.item):
            continue
        values = QUANTITIES[rule.quantity](present, rule.item, recent)
        by_draw = np.broadcast_to(values, present.weight.shape)
        out.append(_decide(rule, estimate(by_draw, present.weight), record, ammonia))
    advised = {d.action for d in out if d.verdict == "yes"}
    return tuple(
        replace(d, verdict="not now", why=rules[d.rule.unless].reason, overruled=True)
        if d.verdict != "not now" and d.rule.unless in advised
        else d
        for d in out
    )


def _decide(
    rule: DecisionRule, probability: Estimate, record: Record, ammonia: Unionised | None
) -> Decision:
    verdict: Verdict = "not now"
    if probability.mean >= rule.threshold:
        verdict = "yes"
    elif probability.high >= rule.threshold:
        verdict = "wait"
    why, overruled = rule.reason, False
    urgent = [c for c in record.cautions if c.level == "urgent"]
    poisonous = ammonia is not None and ammonia.high > CHRONIC_MG_L
    for applies, what, reason in (
        (poisonous, rule.ammonia, "Un-ionised ammonia may be above the chronic criterion"),
        (bool(urgent), rule.urgent, "; ".join(c.title for c in urgent)),
    ):
        if applies and what:
            # The urgent caution comes last, so it overrules the other.
            verdict, why, overruled = "yes" if what == "do" else "not now", reason, True
    asking = [c.title for c in record.cautions if rule.name in c.remedies]
    if asking:
        verdict, why, overruled = "yes", "; ".join(asking), True
    missing: tuple[Missing, ...] = ()
    if rule.permission:
        missing = missing_evidence(record, cast(Permission, rule.permission))
    if missing and verdict == "yes":
        verdict, why, overruled = "not now", missing[0].why.rstrip("."), True
    own = (rule.caution,) if rule.caution else ()
    cautions = (*own, *(c.title for c in record.cautions))
    return Decision(rule, verdict, probability, why, overruled, cautions, missing, bool(asking))
