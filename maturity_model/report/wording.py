"""A probability in the words of the published likelihood scale, for researchers and for JSON.

Words follow the likelihood scale of the fifth IPCC assessment: Mastrandrea et al.
2010, *Guidance Note for Lead Authors of the IPCC Fifth Assessment Report on Consistent
Treatment of Uncertainties*, table 1. Its ranges are closed and nest in one another;
the narrowest one that holds is used. A word never stands alone, because words alone are
misread (Budescu et al. 2012, *Climatic Change* 113:181): the number and a natural
frequency go with it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, Provenance, Reach, TankAssessment
    from maturity_model.logbook.types import Account, Problem

#: Word, and the closed range of percent in which it is true.
LIKELIHOOD_WORDS = (
    ("virtually certain", 99, 100),
    ("very likely", 90, 100),
    ("likely", 66, 100),
    ("about as likely as not", 33, 66),
    ("unlikely", 0, 33),
    ("very unlikely", 0, 10),
    ("exceptionally unlikely", 0, 1),
)
_RANGE = {word: (low, high) for word, low, high in LIKELIHOOD_WORDS}
#: Round to the nearest 5 % when the 90 % interval over draws is wider than this.
COARSE_WIDTH = 0.25
_MONTHS = (
    "January February March April May June July August September October November December"
).split()


class Worded(NamedTuple):
    """A probability in words.

    Attributes
    ----------
    word : str
        IPCC likelihood word.
    number : str
        For example '93 %', 'about 85 %', 'more than 99 %'.
    frequency : str
        For example 'about 93 of 100'.
    interval : str
        '81–97 %', or '' where no interval was given.
    """

    word: str
    number: str
    frequency: str
    interval: str


def likelihood_word(p: float) -> str:
    """IPCC likelihood word of a probability.

    Parameters
    ----------
    p : float
        Probability, 0 to 1.

    Raises
    ------
    ValueError
        If ``p`` is not a probability.
    """
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"{p!r} is not a probability")
    if p >= 0.99:
        return "virtually certain"
    if p >= 0.90:
        return "very likely"
    if p >= 0.66:
        return "likely"
    if p >= 0.33:
        return "about as likely as not"
    if p > 0.10:
        return "unlikely"
    if p > 0.01:
        return "very unlikely"
    return "exceptionally unlikely"


def percent(p: float) -> str:
    """A probability as percent, never '0 %' or '100 %'."""
    if p > 0.99:
        return "more than 99 %"
    if p < 0.01:
        return "less than 1 %"
    return f"{math.floor(100 * p + 0.5)} %"


def _outward(low: float, high: float) -> tuple[int, int]:
    return math.floor(100 * low + 1e-9), math.ceil(100 * high - 1e-9)


def interval(low: float, high: float) -> str:
    """An interval in percent, rounded outward, never reaching '0 %' or '100 %'."""
    lo, hi = _outward(low, high)
    if hi <= 1:
        return "less than 1 %"
    if lo >= 99:
        return "more than 99 %"
    if lo < 1 and hi > 99:
        return "less than 1 % to more than 99 %"
    if lo < 1:
        return f"less than 1 % to {hi} %"
    if hi > 99:
        return f"{lo} % to more than 99 %"
    return f"{lo} %" if lo == hi else f"{lo}–{hi} %"


def worded(p: float, low: float | None = None, high: float | None = None) -> Worded:
    """Put a probability into words.

    Parameters
    ----------
    low, high : float, optional
        5 % and 95 % quantile over the population's draws. Where they lie more than
        :data:`COARSE_WIDTH` apart the number is rounded to five percent, unless that
        would make the word false.
    """
    word = likelihood_word(p)
    given = "" if low is None or high is None else interval(low, high)
    if p > 0.99:
        return Worded(word, "more than 99 %", "more than 99 of 100", given)
    if p < 0.01:
        return Worded(word, "less than 1 %", "fewer than 1 of 100", given)
    shown = math.floor(100 * p + 0.5)
    about = ""
    if low is not None and high is not None and high - low > COARSE_WIDTH:
        coarse = 5 * math.floor(20 * p + 0.5)
        least, most = _RANGE[word]
        if 0 < coarse < 100 and least <= coarse <= most:
            shown, about = coarse, "about "
    return Worded(word, f"{about}{shown} %", f"about {shown} of 100", given)


def day(date: dt.date, *, seen_from: dt.date | None = None) -> str:
    """A date in words, the same on every machine: '5 June 2026'.

    Parameters
    ----------
    seen_from : date, optional
        The year is left out where it is the year of this date.
    """
    short = f"{date.day} {_MONTHS[date.month - 1]}"
    return short if seen_from and seen_from.year == date.year else f"{short} {date.year}"


def plural(count: int, one: str, many: str = "") -> str:
    """'1 week', '3 weeks'."""
    return f"{count} {one if count == 1 else many or one + 's'}"


#: A pooled fit, by its standing.
_FITS = {
    "failed": "pooled fit that failed its checks",
    "unknown": "pooled fit whose checks are not known",
    "approximate": "approximate fit, for a first look",
    "approximate, failed": "approximate fit that failed its checks",
}


def population_words(provenance: Provenance) -> str:
    """What the answer leans on besides the log."""
    if provenance.population_kind == "elicited":
        return "practice population (elicited, no pooled fit yet)"
    fit = _FITS.get(provenance.population_standing, "pooled fit")
    return f"population {provenance.population_name} ({fit})"


#: Parts of a population, as a keeper would say them.
_PARTS = {
    "signs": "how often signs are seen",
    "moves": "how tanks move from phase to phase",
    "readings": "what kits read",
}


def practice_words(parts: Sequence[str]) -> str:
    """What in a fitted population is not the pool's; empty where all of it is."""
    said = [_PARTS[p] for p in parts if p in _PARTS]
    if not said:
        return ""
    listed = said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"
    return (
        f"In it {listed} {'are' if len(said) > 1 else 'is'} as practice says: the pool's judged "
        "phases do not show that its own would be better"
    )


def tuned_words(judgements: str) -> str:
    """That a population is practice shifted by judgements; empty where it is not."""
    if not judgements:
        return ""
    return (
        "What signs show, what kits read and how tanks move are practice's, shifted until they "
        f"predict {judgements} better; so they do for the tanks of keepers left out of the shift, "
        "by more than a standard error"
    )


def capital(text: str) -> str:
    """First letter upper case, the rest as it is."""
    return text[:1].upper() + text[1:]


def phase_words(label: str, p: float, low: float, high: float) -> tuple[str, str]:
    """The present phase: word and number, and the natural frequency.

    Parameters
    ----------
    label : str
        Of the most probable phase.
    p, low, high : float
        Its probability, and the 5 % and 95 % quantile over draws.

    Returns
    -------
    tuple of str
        Joined by ', ' they make one sentence, still without its full stop.
    """
    said = worded(p, low, high)
    name = label.lower()
    if p >= 0.66:
        head = f"{capital(said.word)} {name}: {said.number}"
    elif p >= 0.33:
        head = f"{capital(name)} comes first, but is not sure: {said.word}, {said.number}"
    else:
        head = (
            f"No phase stands out. {capital(name)} comes first, and is itself {said.word}: "
            f"{said.number}"
        )
    return head, f"{said.frequency} tanks with a log like this one"


def now_words(tank: TankAssessment, labels: Sequence[str]) -> tuple[str, str]:
    """:func:`phase_words` of the most probable phase now."""
    k = tank.present
    return phase_words(
        labels[k], float(tank.filtered[-1, k]), float(tank.now_low[k]), float(tank.now_high[k])
    )


def slips(tank: TankAssessment) -> list[tuple[int, str]]:
    """Each horizon, with the risk of slipping back within it in words."""
    now = zip(
        tank.horizons,
        tank.regression[-1].tolist(),
        tank.regression_low.tolist(),
        tank.regression_high.tolist(),
        strict=True,
    )
    return [(horizon, slip_words(*chance)) for horizon, *chance in now]


def problem_counts(problems: Sequence[Problem]) -> list[str]:
    """How many problems of a log were errors, and how many were settled by an assumption."""
    errors = sum(p.severity == "error" for p in problems)
    settled = len(problems) - errors
    out = [plural(errors, "log problem")] if errors else []
    return out + ([plural(settled, "assumption")] if settled else [])


def slip_words(p: float, low: float, high: float) -> str:
    """The risk of slipping back, with its range over draws."""
    said = worded(p, low, high)
    return f"{said.word}: {said.number}, {said.frequency} (range {said.interval})"


def start_words(first: str) -> str:
    """In place of a risk that is small only because there is nothing to slip to."""
    return f"It is already at the start: nothing lies below {first.lower()}"


def no_risk_words(tank: TankAssessment, first: str) -> str:
    """Why no risk of slipping back is stated; empty where it is. Plain text."""
    if tank.at_start:
        return start_words(first)
    if tank.slipped_before is None:
        return ""
    date = day(tank.slipped_before, seen_from=tank.dates[-1])
    return (
        f"It has probably slipped in the three weeks before {date}, so no chance of slipping "
        "further is stated"
    )


def silence_words(reach: Reach) -> str:
    """How long nobody has looked, where that is long; else nothing."""
    if not reach.silent:
        return ""
    if reach.weeks_since_look is None:
        return "Nobody has looked yet"
    return f"Last looked {plural(reach.weeks_since_look, 'week')} ago"


def statement(tank: TankAssessment, phases: tuple[str, ...], provenance: Provenance) -> str:
    """The present phase and its conditioning; how long nobody has looked, where that is long."""
    silence = silence_words(tank.reach)
    if tank.reach.never_looked:
        return f"{silence}."
    head, frequency = now_words(tank, phases)
    said = f"{head}, {frequency}, {conditioning(provenance)}."
    return f"{silence}. {said}" if silence else said


def conditioning(provenance: Provenance) -> str:
    """What every probability is given."""
    return f"given the log up to {day(provenance.as_of)} and the {population_words(provenance)}"


def phase_labels(assessment: Assessment) -> tuple[str, ...]:
    """Labels of the phases, in order."""
    known = assessment.catalogue.phases
    return tuple(known[p].label if p in known else capital(p) for p in assessment.phases)


def unused_words(account: Account) -> str:
    """What of the log was not used, in one line; empty where all of it was."""
    refused, rows = account.count("refused"), len(account.refused_rows)
    counts = [plural(refused, "file or sheet", "files or sheets")] if refused else []
    counts += [plural(rows, "row")] if rows else []
    for scope in ("column", "cell"):
        if parts := sum(p.scope == scope for p in account.refused_parts):
            counts.append(plural(parts, scope))
    out = [f"Not used of the log: {', '.join(counts)}"] if counts else []
    if aside := account.count("set aside"):
        out.append(f"{plural(aside, 'file or sheet', 'files or sheets')} set aside")
    return "; ".join(out)
