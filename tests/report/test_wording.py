"""Probabilities, odds, dates and intervals in words."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from report.example import PHASES, example_assessment

from maturity_model.assessment.intervals import Estimate
from maturity_model.report import question_words, wording


# Mastrandrea et al. 2010, IPCC AR5 guidance note, table 1 (from memory): the closed ranges.
@pytest.mark.parametrize(
    ("p", "word"),
    [
        (1.0, "virtually certain"),
        (0.99, "virtually certain"),
        (0.9899, "very likely"),
        (0.90, "very likely"),
        (0.8999, "likely"),
        (0.66, "likely"),
        (0.6599, "about as likely as not"),
        (0.33, "about as likely as not"),
        (0.3299, "unlikely"),
        (0.1001, "unlikely"),
        (0.10, "very unlikely"),
        (0.0101, "very unlikely"),
        (0.01, "exceptionally unlikely"),
        (0.0, "exceptionally unlikely"),
    ],
)
def test_words_change_at_the_published_boundaries(p: float, word: str) -> None:
    assert wording.likelihood_word(p) == word


@pytest.mark.parametrize("p", [-0.01, 1.01, float("nan")])
def test_what_is_no_probability_is_refused(p: float) -> None:
    with pytest.raises(ValueError, match="not a probability"):
        wording.likelihood_word(p)


@pytest.mark.parametrize("width", [0.0, 0.1, 0.3, 0.8])
def test_the_number_shown_never_makes_its_word_false(width: float) -> None:
    ranges = {word: (low, high) for word, low, high in wording.LIKELIHOOD_WORDS}
    for p in np.linspace(0, 1, 2001):
        said = wording.worded(float(p), max(0.0, float(p) - width), min(1.0, float(p) + width))
        assert said.number not in {"0 %", "100 %", "about 0 %", "about 100 %"}
        low, high = ranges[said.word]
        if said.number == "more than 99 %":
            assert p > 0.99
            assert said.frequency == "more than 99 of 100"
        elif said.number == "less than 1 %":
            assert p < 0.01
            assert said.frequency == "fewer than 1 of 100"
        else:
            shown = int(said.number.removeprefix("about ").removesuffix(" %"))
            assert low <= shown <= high
            assert said.frequency == f"about {shown} of 100"
            assert abs(shown - 100 * p) <= (2.5 if said.number.startswith("about") else 0.5) + 1e-9


def test_a_wide_interval_coarsens_the_number() -> None:
    assert wording.worded(0.83, 0.80, 0.86).number == "83 %"
    assert wording.worded(0.83, 0.55, 0.96).number == "about 85 %"
    # 67 is 'likely', 65 would not be: the finer number stays.
    assert wording.worded(0.67, 0.40, 0.90).number == "67 %"


@pytest.mark.parametrize(
    ("p", "long", "short"),
    [
        (0.0, "less than 1 %", "&lt;1"),
        (0.0099, "less than 1 %", "&lt;1"),
        (0.01, "1 %", "1"),
        (0.125, "13 %", "13"),
        (0.99, "99 %", "99"),
        (0.9901, "more than 99 %", "&gt;99"),
        (1.0, "more than 99 %", "&gt;99"),
    ],
)
def test_percent_stays_off_the_ends(p: float, long: str, short: str) -> None:
    assert wording.percent(p) == long
    assert wording.short_percent(p) == short


@pytest.mark.parametrize(
    ("low", "high", "said", "short"),
    [
        (0.811, 0.969, "81–97 %", "81–97"),
        (0.0, 0.12, "less than 1 % to 12 %", "&lt;1–12"),
        (0.88, 1.0, "88 % to more than 99 %", "88–&gt;99"),
        (0.0, 1.0, "less than 1 % to more than 99 %", "&lt;1–&gt;99"),
        (0.0, 0.004, "less than 1 %", "&lt;1–1"),
        (0.995, 1.0, "more than 99 %", "99–&gt;99"),
        (0.25, 0.25, "25 %", "25–25"),
    ],
)
def test_intervals_round_outward(low: float, high: float, said: str, short: str) -> None:
    assert wording.interval(low, high) == said
    assert wording.short_interval(low, high) == short


def test_the_sentence_has_word_number_and_natural_frequency() -> None:
    assert ", ".join(wording.phase_words("Mature", 0.93, 0.85, 0.97)) == (
        "Very likely mature: 93 %, about 93 of 100 tanks with a log like this one"
    )
    head, _ = wording.phase_words("Bloom", 0.52, 0.45, 0.60)
    assert head == "Bloom comes first, but is not sure: about as likely as not, 52 %"
    head, _ = wording.phase_words("Bloom", 0.31, 0.25, 0.35)
    assert head == "No phase stands out. Bloom comes first, and is itself unlikely: 31 %"
    slip = wording.slip_words(0.06, 0.02, 0.14)
    assert slip == "very unlikely: 6 %, about 6 of 100 (range 2–14 %)"


def test_the_statement_says_what_it_is_given() -> None:
    assessment = example_assessment()
    said = wording.statement(assessment.tanks[0], PHASES, assessment.provenance)
    assert said.endswith(
        "given the log up to 5 June 2026 and the practice population (elicited, no pooled fit yet)."
    )
    fitted = replace(assessment.provenance, population_kind="fitted", population_name="Harbour")
    assert wording.population_words(fitted) == "population Harbour (pooled fit)"
    assert wording.practice_words(fitted.population_of_practice) == ""
    assert wording.practice_words(("moves", "readings")).startswith(
        "In it how tanks move from phase to phase and what kits read are as practice says: "
    )
    # Names come from a file.
    assert wording.practice_words(("<b>",)) == ""


def test_dates_are_spelt_alike_everywhere() -> None:
    date = dt.date(2026, 3, 9)
    assert wording.day(date) == "9 March 2026"
    assert wording.day(date, seen_from=dt.date(2026, 12, 31)) == "9 March"
    assert wording.day(date, seen_from=dt.date(2027, 1, 1)) == "9 March 2026"
    assert [wording.ago(n) for n in (0, 1, 13, 14, 27)] == [
        "the same day",
        "the day before",
        "13 days before",
        "2 weeks before",
        "3 weeks before",
    ]


def test_factors_weeks_and_points() -> None:
    assert [question_words.ratio(x) for x in (1.0, 1.44, 2.94, 3.2, 12.4, 34, 160, 4000)] == [
        "1.0", "1.4", "2.9", "3", "12", "30", "200", "more than 1000",
    ]  # fmt: skip
    assert [question_words.odds_words(b) for b in (0.0, 0.01, 2.0, -2.0, 500.0, -500.0)] == [
        "even", "even", "4 to 1", "1 to 4", "more than 1000 to 1", "1 to more than 1000",
    ]  # fmt: skip
    assert question_words.push_words(2.0) == "odds × 4 (2 bits)"
    assert question_words.push_words(-2.0) == "odds ÷ 4 (2 bits)"
    assert question_words.bits_words(0.003) == "<0.01 bits"
    assert [wording.weeks_words(w) for w in (None, 0, 1, 19, 21, 58)] == [
        "later than two years", "now", "1 week", "19 weeks", "20 weeks", "60 weeks",
    ]  # fmt: skip
    assert wording.weeks_range(6, 30) == "6 to 30 weeks"
    assert wording.weeks_range(0, None) == "now to later than two years"
    assert wording.weeks_range(40, 41) == "40 weeks"
    assert [wording.points(x) for x in (0.0, 0.004, -0.004, 0.02, -0.014, 0.3)] == [
        "none", "under 1 point", "under 1 point", "+2 points", "−1 point", "+30 points",
    ]  # fmt: skip
    assert wording.points_range(-0.012, 0.301) == "−2 to +31"
    assert [question_words.threshold_words(p) for p in (0.025, 1 / 3, 0.9)] == [
        "2.5 %",
        "33 %",
        "90 %",
    ]
    assert wording.chance_words(Estimate(0.12, 0.05, 0.2)) == (
        "unlikely: 12 %, about 12 of 100 (range 5–20 %)"
    )
    assert wording.chance_words(Estimate(0.12, 0.12, 0.12)) == "unlikely: 12 %, about 12 of 100"
    assert wording.short_chance(Estimate(0.12, 0.05, 0.2)) == "12 % (5–20)"
    assert wording.short_chance(Estimate(0.001, 0.001, 0.001)) == "&lt;1 %"
