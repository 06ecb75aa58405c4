"""Probabilities, odds, dates and intervals in words."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from report.example import example_assessment

from maturity_model.report import likelihood_words, wording
from maturity_model.report.views.provenance import practice_words


# Mastrandrea et al. 2010, IPCC AR5 guidance note, table 1 (from memory): the closed ranges.
@pytest.mark.parametrize(
    ("word", "low", "high"),
    [
        ("virtually certain", 0.99, 1.0),
        ("very likely", 0.90, 0.9899),
        ("likely", 0.66, 0.8999),
        ("about as likely as not", 0.33, 0.6599),
        ("unlikely", 0.1001, 0.3299),
        ("very unlikely", 0.0101, 0.10),
        ("exceptionally unlikely", 0.0, 0.01),
    ],
)
def test_words_change_at_the_published_boundaries(word: str, low: float, high: float) -> None:
    assert [likelihood_words.likelihood_word(p) for p in (low, high)] == [word, word]


@pytest.mark.parametrize("p", [-0.01, 1.01, float("nan")])
def test_what_is_no_probability_is_refused(p: float) -> None:
    with pytest.raises(ValueError, match="not a probability"):
        likelihood_words.likelihood_word(p)


@pytest.mark.parametrize("width", [0.0, 0.1, 0.3, 0.8])
def test_the_number_shown_never_makes_its_word_false(width: float) -> None:
    ranges = {word: (low, high) for word, low, high in likelihood_words.LIKELIHOOD_WORDS}
    for p in np.linspace(0, 1, 2001):
        said = likelihood_words.worded(
            float(p), max(0.0, float(p) - width), min(1.0, float(p) + width)
        )
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
    assert likelihood_words.worded(0.83, 0.80, 0.86).number == "83 %"
    assert likelihood_words.worded(0.83, 0.55, 0.96).number == "about 85 %"
    # 67 is 'likely', 65 would not be: the finer number stays.
    assert likelihood_words.worded(0.67, 0.40, 0.90).number == "67 %"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.811, 0.969, "81–97 %"),
        (0.0, 0.12, "less than 1 % to 12 %"),
        (0.88, 1.0, "88 % to more than 99 %"),
        (0.0, 1.0, "less than 1 % to more than 99 %"),
        (0.0, 0.004, "less than 1 %"),
        (0.995, 1.0, "more than 99 %"),
        (0.25, 0.25, "25 %"),
    ],
)
def test_intervals_round_outward(low: float, high: float, said: str) -> None:
    assert likelihood_words.interval(low, high) == said


def test_the_sentence_has_word_number_and_natural_frequency() -> None:
    said = likelihood_words.phase_words
    assert said("Mature", 0.93, 0.85, 0.97) == (
        "Very likely mature: 93 %, about 93 of 100 tanks with a log like this one"
    )
    assert said("Bloom", 0.52, 0.45, 0.60).startswith(
        "Bloom comes first, but is not sure: about as likely as not, 52 %, "
    )
    assert said("Bloom", 0.31, 0.25, 0.35).startswith(
        "No phase stands out. Bloom comes first, and is itself unlikely: 31 %, "
    )
    slip = likelihood_words.slip_words(0.06, 0.02, 0.14)
    assert slip == "very unlikely: 6 %, about 6 of 100 (range 2–14 %)"


def test_the_statement_says_what_it_is_given() -> None:
    assessment = example_assessment()
    said = likelihood_words.statement(assessment.tanks[0], assessment.phases, assessment.provenance)
    assert said.endswith(
        "given the log up to 20 November 2026 and the practice population "
        "(elicited, no pooled fit yet)."
    )
    fitted = replace(assessment.provenance, population_kind="fitted", population_name="Harbour")
    assert likelihood_words.population_words(fitted) == "population Harbour (pooled fit)"
    assert practice_words(fitted.population_of_practice) == ""
    assert practice_words(("moves", "readings")).startswith(
        "In it how tanks move from phase to phase and what kits read are as practice says: "
    )
    # Names come from a file.
    assert practice_words(("<b>",)) == ""


@pytest.mark.parametrize(
    ("p", "words", "shown"),
    [
        (1.0, "Mature", "99 %"),
        (0.985, "Mature", "99 %"),
        (0.9849, "Very likely mature", "98 %"),
        (0.895, "Very likely mature", "90 %"),
        (0.8949, "Probably mature", "89 %"),
        (0.655, "Probably mature", "66 %"),
        (0.6549, "Mature, but unsure", "65 %"),
        (0.495, "Mature, but unsure", "50 %"),
        (0.4949, "No clear phase, perhaps mature", "49 %"),
    ],
)
def test_the_word_for_a_phase_follows_the_percent_beside_it(
    p: float, words: str, shown: str
) -> None:
    assert wording.phase_words("Mature", p) == words
    assert wording.percent(p) == shown


def test_a_keepers_percent_is_never_nothing_or_all() -> None:
    assert wording.percent(0.0) == "under 1 %"
    assert wording.percent(0.0049) == "under 1 %"
    assert wording.percent(0.005) == "1 %"
    assert wording.percent(0.9999) == "99 %"


def test_the_runner_up_is_named_from_ten_percent_on() -> None:
    labels = ("Cycling", "Bloom", "Colonising", "Mature")
    assert wording.runner_up(labels, np.array([0.0, 0.05, 0.76, 0.19])) == "If not, mature."
    assert wording.runner_up(labels, np.array([0.0, 0.095, 0.9, 0.005])) == "If not, bloom."
    assert wording.runner_up(labels, np.array([0.0, 0.094, 0.9, 0.006])) == ""


def test_days_dates_and_weeks_of_a_keeper() -> None:
    assert [wording.look_words(d) for d in (0, 1, 2, 27, 28, 90)] == [
        "today", "yesterday", "2 days ago", "27 days ago", "4 weeks ago", "12 weeks ago",
    ]  # fmt: skip
    seen_from = dt.date(2026, 6, 5)
    assert wording.date_words(dt.date(2026, 5, 17), seen_from) == "17 May"
    assert wording.date_words(dt.date(2025, 11, 7), seen_from) == "7 Nov 2025"
    said = "Overfed on 2026-05-17, and not since 2025-12-31; 2026-99-99"
    assert wording.plain_dates(said, seen_from) == (
        "Overfed on 17 May, and not since 31 Dec 2025; 2026-99-99"
    )
    assert [wording.weeks_words(w) for w in (1, 8, 26, 60, 104)] == [
        "a week", "8 weeks", "6 months", "14 months", "two years",
    ]  # fmt: skip


def test_blame_and_pointers_weaken_step_by_step() -> None:
    said = [wording.blame_words(p) for p in (0.95, 0.7, 0.5, 0.3, 0.1, 0.01)]
    assert len(set(said)) == 6
    assert (said[0], said[-1]) == ("set it back, almost certainly", "no effect to be seen")
    dots = [wording.pointer_dots(b) for b in (2.5, -2.0, 1.9, 0.7, -0.6, 0.1)]
    assert dots == [3, 3, 2, 2, 1, 1]
