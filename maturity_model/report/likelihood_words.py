"""A probability in the words of the published likelihood scale, for researchers and for JSON.

Words follow the likelihood scale of the fifth IPCC assessment: Mastrandrea et al.
2010, *Guidance Note for Lead Authors of the IPCC Fifth Assessment Report on Consistent
Treatment of Uncertainties*, table 1. Its ranges are closed and nest in one another;
the narrowest one that holds is used. A word never stands alone, because words alone are
misread (Budescu et al. 2012, *Climatic Change* 113:181): the number and a natural
frequency go with it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.report.wording import capital, date_words, day, silence_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Provenance, TankAssessment

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
#: A pooled fit, by its standing.
_FITS = {
    "failed": "pooled fit that failed its checks",
    "unknown": "pooled fit whose checks are not known",
    "approximate": "approximate fit, for a first look",
    "approximate, failed": "approximate fit that failed its checks",
}


class Worded(NamedTuple):
    """A probability in words: 'very likely', '93 %', 'about 93 of 100', '81–97 %'."""

    word: str
    number: str
    frequency: str
    interval: str


def likelihood_word(p: float) -> str:
    """IPCC likelihood word of a probability; a number that is none is a ValueError."""
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


def interval(low: float, high: float) -> str:
    """An interval in percent, rounded outward, never reaching '0 %' or '100 %'."""
    lo, hi = math.floor(100 * low + 1e-9), math.ceil(100 * high - 1e-9)
    if lo >= 1 and hi <= 99:
        return f"{lo} %" if lo == hi else f"{lo}–{hi} %"
    least = f"{lo} %" if lo >= 1 else "less than 1 %"
    most = f"{hi} %" if hi <= 99 else "more than 99 %"
    if hi <= 1:
        return least
    return most if lo >= 99 else f"{least} to {most}"


def worded(p: float, low: float, high: float) -> Worded:
    """Put a probability into words.

    Parameters
    ----------
    low, high : float
        5 % and 95 % quantile over the population's draws. Where they lie more than
        :data:`COARSE_WIDTH` apart the number is rounded to five percent, unless that
        would make the word false.
    """
    word, span = likelihood_word(p), interval(low, high)
    if p > 0.99:
        return Worded(word, "more than 99 %", "more than 99 of 100", span)
    if p < 0.01:
        return Worded(word, "less than 1 %", "fewer than 1 of 100", span)
    shown, about = math.floor(100 * p + 0.5), ""
    if high - low > COARSE_WIDTH:
        coarse = 5 * math.floor(20 * p + 0.5)
        least, most = _RANGE[word]
        if 0 < coarse < 100 and least <= coarse <= most:
            shown, about = coarse, "about "
    return Worded(word, f"{about}{shown} %", f"about {shown} of 100", span)


def population_words(provenance: Provenance) -> str:
    """What the answer leans on besides the log."""
    if provenance.population_kind == "elicited":
        return "practice population (elicited, no pooled fit yet)"
    fit = _FITS.get(provenance.population_standing, "pooled fit")
    return f"population {provenance.population_name} ({fit})"


def phase_words(label: str, p: float, low: float, high: float) -> str:
    """The present phase, in a sentence that still lacks its full stop."""
    said, name = worded(p, low, high), label.lower()
    if p >= 0.66:
        head = f"{capital(said.word)} {name}: {said.number}"
    elif p >= 0.33:
        head = f"{capital(name)} comes first, but is not sure: {said.word}, {said.number}"
    else:
        head = (
            f"No phase stands out. {capital(name)} comes first, and is itself {said.word}: "
            f"{said.number}"
        )
    return f"{head}, {said.frequency} tanks with a log like this one"


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
    date = date_words(tank.slipped_before, tank.dates[-1])
    return (
        f"It has probably slipped in the three weeks before {date}, so no chance of slipping "
        "further is stated"
    )


def statement(tank: TankAssessment, labels: tuple[str, ...], provenance: Provenance) -> str:
    """The present phase and what it is given; how long nobody has looked, where that is long."""
    silence = silence_words(tank.reach)
    if tank.reach.never_looked:
        return f"{silence}."
    k = tank.present
    phase = phase_words(
        labels[k], float(tank.filtered[-1, k]), float(tank.now_low[k]), float(tank.now_high[k])
    )
    log = f"given the log up to {day(provenance.as_of)} and the {population_words(provenance)}"
    said = f"{phase}, {log}."
    return f"{silence}. {said}" if silence else said
