"""The shapes of catalogue entries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

#: Ways of looking, least to most searching; blank in a log means ``careful``.
LOOKS = ("glance", "careful", "torch")
#: Kinds of rock a tank may be started with.
ROCKS = ("dry", "mixed", "live")
#: What a sign or an event may need, so that it cannot be in a tank without it.
NEEDS = ("sand",)
#: How a reading may be taken.
METHODS = ("colour_chart", "strip", "photometer", "probe")


class Marked(NamedTuple):
    """A number with the mark of its source, a key of :attr:`Catalogue.sources`."""

    value: float
    source: str


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number comes from: ``standing`` says how well it is known."""

    mark: str
    citation: str
    standing: str


@dataclass(frozen=True, slots=True)
class Phase:
    """A latent phase.

    Attributes
    ----------
    stage_weeks : Marked
        Mean weeks in one stage of the phase, for a tank of usual pace.
    certainty : Marked
        Standard deviation of its logarithm (prior).
    setback_per_year, collapse_per_year : Marked
        Baseline rates without any event.
    """

    name: str
    label: str
    meaning: str
    stage_weeks: Marked
    certainty: Marked
    setback_per_year: Marked
    collapse_per_year: Marked


@dataclass(frozen=True, slots=True)
class Sign:
    """Something seen by eye.

    Attributes
    ----------
    detection : tuple of Marked
        P(seen | looked carefully, nothing recorded lately, middle of phase k).
    certainty : Marked
        Standard deviation of its log-odds (prior).
    persistence : Marked
        Change in log-odds at the strongest balance of past sightings.
    small : float
        0 = plain to see, 1 = the keeper's skill and way of looking count fully.
    needs : str
        One of :data:`NEEDS`, or blank: in a tank without it the sign cannot be seen.
    minutes : float
        Effort of one look.
    own : bool
        True for a club's own sign.
    """

    name: str
    label: str
    group: str
    taxon: str
    aphia_id: str
    where: str
    how: str
    needs: str
    minutes: float
    small: float
    persistence: Marked
    certainty: Marked
    detection: tuple[Marked, ...]
    own: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """How finely a method reads: colour steps, or a resolution; canonical unit.

    ``steps`` is empty for a method with a resolution; ``resolution`` is 0 for a chart;
    ``minutes`` is the effort of one test, the waiting for the colour included.
    """

    method: str
    steps: tuple[float, ...]
    resolution: float
    minutes: Marked
    source: str


@dataclass(frozen=True, slots=True)
class Range:
    """What a quantity usually is, and what it can be, in its canonical unit.

    Outside ``low`` to ``high`` a value is an error in the log; outside ``usual_low`` to
    ``usual_high`` it is used, and said to be unusual.
    """

    low: float
    usual_low: float
    usual_high: float
    high: float

    def is_usual(self, value: float) -> bool:
        """Whether a value needs no remark."""
        return self.usual_low <= value <= self.usual_high


@dataclass(frozen=True, slots=True)
class Analyte:
    """Something measured.

    Attributes
    ----------
    unit : str
        Canonical unit (UCUM code, and the substance where it matters).
    informative : bool
        Whether the reading enters the likelihood of a phase.
    offset : float
        x0 in log(x + x0), canonical unit.
    typical : tuple of Marked
        Median by phase, canonical unit; empty when not informative.
    spread : tuple of Marked
        Standard deviation of log(x + x0) by phase.
    carry : Marked or None
        Pull of the previous reading (0 none, 1 whole).
    certainty : Marked or None
        Prior standard deviation of the log median.
    range : Range
    charts : dict of str to Chart
        Generic chart by method. A method without one is read at its written digits.
    """

    name: str
    label: str
    quantity: str
    unit: str
    display_unit: str
    informative: bool
    offset: float
    range: Range
    typical: tuple[Marked, ...]
    spread: tuple[Marked, ...]
    carry: Marked | None
    certainty: Marked | None
    charts: dict[str, Chart]


@dataclass(frozen=True, slots=True)
class EventKind:
    """Something done to or suffered by a tank.

    Attributes
    ----------
    description : str
        What counts as one, in a sentence, so that two keepers mean the same.
    needs : str
        As for a sign.
    amount_means, unit : str
        What the log's ``amount`` is; empty when the event has none.
    default_amount : float
        Used, and said so, where the log leaves the amount blank.
    neutral_amount, reference_amount : float or None
        The amount that changes nothing, and the one whose effect is listed; None when
        the event has no amount.
    max_amount : float or None
        More than this is an error in the log.
    memory_weeks : Marked
        e-folding time of the effect.
    advance, setback, collapse : Marked
        Log hazard ratio at the reference amount, when it has just happened.
    certainty : Marked
        Prior standard deviation of these, and of the logarithm of ``memory_weeks``
        (half of it).
    """

    name: str
    label: str
    description: str
    needs: str
    amount_means: str
    unit: str
    default_amount: float | None
    neutral_amount: float | None
    reference_amount: float | None
    max_amount: float | None
    memory_weeks: Marked
    advance: Marked
    setback: Marked
    collapse: Marked
    certainty: Marked

    def size(self, amount: float | None) -> float:
        """Effect size of an amount: 0 neutral, 1 the reference, at most 3."""
        if amount is None or self.reference_amount is None or self.neutral_amount is None:
            return 1.0
        scale = self.reference_amount - self.neutral_amount
        return min(max((amount - self.neutral_amount) / scale, 0.0), 3.0)


@dataclass(frozen=True, slots=True)
class Covariate:
    """Standing husbandry: ``effect[k]`` is a log hazard ratio on advance in phase k."""

    name: str
    label: str
    meaning: str
    effect: tuple[Marked, ...]
    certainty: Marked


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number about observing: value and prior spread."""

    value: Marked
    spread: Marked
    meaning: str


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """When to do something: the probability of its condition is at least the threshold.

    Attributes
    ----------
    name, label : str
    quantity : str
        What must be probable: see ``assessment.decisions.QUANTITIES``.
    item : str
        The phase or event that the quantity is about; empty where it needs none.
    applies : {'always', 'unstocked', 'stocked', 'silent'}
        Whether livestock must, or must not, have been logged. ``silent``: after weeks without
        a look, and then no other rule.
    unless : str
        Another decision that forbids this one while its verdict is yes; or empty.
    urgent : {'', 'do', 'do not'}
        What an urgent caution makes of it, whatever the probability.
    ammonia : {'', 'do', 'do not'}
        Likewise un-ionised ammonia that may be above the chronic criterion.
    permission : {'', 'first animals', 'next animals', 'leave be'}
        The evidence that must be there too: see ``assessment.permissions``.
    needless, missed : Marked
        What it costs to do it although its condition does not hold, and to leave it although
        its condition holds; only their ratio counts.
    reason, caution : str
    """

    name: str
    label: str
    quantity: str
    item: str
    applies: str
    unless: str
    urgent: str
    ammonia: str
    permission: str
    needless: Marked
    missed: Marked
    reason: str
    caution: str

    @property
    def threshold(self) -> float:
        """Probability of the condition from which doing it costs less on average.

        Doing it costs ``(1 - p) needless``, leaving it ``p missed``; they are equal at
        ``needless / (needless + missed)`` (Berger 1985, *Statistical Decision Theory and
        Bayesian Analysis*, sec. 4.4.3; from memory).
        """
        return self.needless.value / (self.needless.value + self.missed.value)

    @property
    def condition(self) -> str:
        """What must be probable, such as 'phase is bloom'."""
        return f"{self.quantity} {self.item}".strip()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All trade knowledge; tables are keyed by name and keep their order.

    ``starts`` holds, by kind of rock (and ``unknown``), the chances of starting in the
    three stages of the first phase and the first two of the second.
    """

    phases: dict[str, Phase]
    signs: dict[str, Sign]
    analytes: dict[str, Analyte]
    events: dict[str, EventKind]
    husbandry: dict[str, Covariate]
    observing: dict[tuple[str, str], Quantity]
    starts: dict[str, tuple[Marked, ...]]
    sources: dict[str, Source]

    @property
    def informative(self) -> tuple[str, ...]:
        """Names of the analytes that enter the likelihood."""
        return tuple(a.name for a in self.analytes.values() if a.informative)
