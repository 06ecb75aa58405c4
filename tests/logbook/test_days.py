"""Several check-ins of one tank on one day count as one look."""

from __future__ import annotations

import itertools

import numpy as np
from logbook.conftest import Read

from maturity_model.assessment import assess
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Logbook, Problem
from maturity_model.panel import build_panel
from maturity_model.population import elicit_population

HEAD = "tank,date,observer,look,judged_phase,note,diatoms,hair_algae,nitrate\n"


def merges(book: Logbook) -> list[Problem]:
    return [p for p in book.problems if "both are one look" in p.what]


def test_one_look_by_hand(read: Read) -> None:
    book = read(
        tanks="tank,started\nReef,2026-01-01\nLagoon,2026-01-01\n",
        checkins=HEAD + "Reef,2026-02-01,,glance,bloom,morning,n,,10\n"
        "Reef,2026-02-02,,,,,y,,\n"
        "Reef,2026-02-01,,torch,mature,evening,y,n,20\n"
        "Reef,2026-02-01,night,,,,n,n,\n"
        "Lagoon,2026-02-01,,,,,y,,\n",
    )
    first, *others = book.checkins
    assert first.line == 2
    # Another tank, and another day.
    assert [c.line for c in others] == [6, 3]
    assert first.signs == {"diatoms": True, "hair_algae": False}
    assert (first.look, first.judged_phase, first.observer) == ("torch", "mature", "night")
    assert first.note == "morning / evening"
    assert first.readings["nitrate"].text == "20"
    said = merges(book)
    assert [(p.severity, p.line, p.tank) for p in said] == [
        ("settled", 4, "Reef"), ("settled", 5, "Reef")
    ]  # fmt: skip
    assert "of nitrate, judged_phase this later line is used" in said[0].what
    assert "later line" not in said[1].what
    # All rows were used.
    assert next(c for c in book.rows if c.file == "checkins.csv").used == 5


def test_whatever_the_order_what_was_seen_was_seen(read: Read) -> None:
    rows = ["Reef,2026-02-01,,careful,,,y,,\n", "Reef,2026-02-01,,glance,,,n,,\n",
            "Reef,2026-02-01,,torch,,,,,5\n"]  # fmt: skip
    for order in itertools.permutations(rows):
        (look,) = read(checkins=HEAD + "".join(order)).checkins
        assert look.signs == {"diatoms": True}
        # A torch that found nothing to answer is not how the signs were looked for.
        assert look.look == "careful"


def test_observers_of_one_day(read: Read) -> None:
    book = read(
        checkins=HEAD + "Reef,2026-02-01,ann,,,,y,,\nReef,2026-02-01,bob,,,,y,,\n"
        "Reef,2026-02-01,ann,glance,,,y,,\nReef,2026-02-03,ann,,,,y,,\nReef,2026-02-03,,,,x,y,,\n"
    )
    assert [c.observer for c in book.checkins] == ["ann + bob", "ann"]


def test_saying_it_twice_is_no_more_evidence(read: Read) -> None:
    once = HEAD + "".join(f"Reef,2026-02-{d:02d},,,,,y,n,5\n" for d in (1, 8, 15))
    twice = once + "".join(f"Reef,2026-02-{d:02d},,,,again,y,n,5\n" for d in (1, 8, 15))
    population = elicit_population(load_catalogue(), 1.0, n_draws=16, seed=1)
    found = [
        assess(build_panel(read(checkins=text)), population).tanks[0] for text in (once, twice)
    ]
    np.testing.assert_array_equal(found[0].filtered, found[1].filtered)
    np.testing.assert_array_equal(found[0].regression, found[1].regression)
