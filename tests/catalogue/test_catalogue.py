"""The catalogue: complete, marked, and open to a club's own signs."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest

from maturity_model.catalogue import METHODS, CatalogueError, Marked, add_sign, load_catalogue
from maturity_model.catalogue.load import MAX_OWN_SIGNS, rows_of

CATALOGUE = load_catalogue()
PHASES = ("cycling", "bloom", "colonising", "mature")
GOOD = {"sign": "feather_worms", "cycling": "0.02", "bloom": "0.1", "colonising": "0.4",
        "mature": "0.6"}  # fmt: skip


def _marks(thing: object) -> Iterator[Marked]:
    if isinstance(thing, Marked):
        yield thing
    elif dataclasses.is_dataclass(thing):
        for field in dataclasses.fields(thing):
            yield from _marks(getattr(thing, field.name))
    elif isinstance(thing, dict):
        for value in thing.values():
            yield from _marks(value)
    elif isinstance(thing, tuple):
        for value in thing:
            yield from _marks(value)


def test_what_it_holds() -> None:
    assert tuple(CATALOGUE.phases) == PHASES
    assert set(CATALOGUE.signs) == set(
        "amphipods copepods spirorbid_worms syconoid_sponges sand_worm_tubes sand_gas_bubbles "
        "bristle_worms diatoms film_algae hair_algae cyanobacteria coralline_algae".split()
    )
    assert set(CATALOGUE.analytes) == set(
        "ammonia nitrite nitrate phosphate ph salinity temperature alkalinity".split()
    )
    assert set(CATALOGUE.events) == set(
        "water_change overfeeding crash livestock_added deep_clean sand_disturbed "
        "medication".split()
    )
    assert CATALOGUE.informative == ("ammonia", "nitrite", "nitrate", "phosphate")


def test_every_value_has_a_known_mark() -> None:
    marks = list(_marks(CATALOGUE))
    assert len(marks) > 12 * 4
    assert {m.source for m in marks} <= set(CATALOGUE.sources)
    charts = [c for a in CATALOGUE.analytes.values() for c in a.charts.values()]
    assert {c.source for c in charts} <= set(CATALOGUE.sources)
    assert all(source.citation and source.standing for source in CATALOGUE.sources.values())


def test_every_sign_says_where_and_how() -> None:
    for sign in CATALOGUE.signs.values():
        assert sign.label
        assert sign.where
        assert sign.how
        assert sign.minutes > 0
        assert 0 <= sign.small <= 1
        assert len(sign.detection) == len(PHASES)
        assert all(0 < p.value < 1 for p in sign.detection)


def test_charts_increase_and_stay_in_bounds() -> None:
    for analyte in CATALOGUE.analytes.values():
        bounds = analyte.range
        assert bounds.low <= bounds.usual_low < bounds.usual_high <= bounds.high
        for method, chart in analyte.charts.items():
            assert method in METHODS
            assert bool(chart.steps) != bool(chart.resolution)
            assert list(chart.steps) == sorted(set(chart.steps))
            assert all(analyte.range.low <= s <= analyte.range.high for s in chart.steps)


def test_a_comma_without_quotation_marks_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "sources.csv"
    path.write_text('mark,citation,standing\nP,"a, b",good\nQ,a, b,good\n')
    with pytest.raises(CatalogueError, match=r"sources\.csv, line 3, column number 4: 'good'"):
        list(rows_of(path))


def test_an_own_sign() -> None:
    extended = add_sign(CATALOGUE, "signs.csv", 2, GOOD)
    sign = extended.signs["feather_worms"]
    assert sign.own
    assert sign.label == "Feather worms"
    assert [p.value for p in sign.detection] == [0.02, 0.1, 0.4, 0.6]
    assert {p.source for p in sign.detection} == {"club"}
    assert len(extended.signs) == 13
    assert len(CATALOGUE.signs) == 12


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"sign": "Feather Worms"}, "sign"),
        ({"sign": "diatoms"}, "sign"),
        ({"sign": "ammonia"}, "sign"),
        ({"sign": "observer"}, "sign"),
        ({"bloom": ""}, "bloom"),
        ({"bloom": "1"}, "bloom"),
        ({"bloom": "1e999"}, "bloom"),
        ({"bloom": "0.3 [nobody]"}, "bloom"),
        ({"minutes": "-1"}, "minutes"),
        ({"persistence": "99"}, "persistence"),
        ({"certainty": "0"}, "certainty"),
        ({"aphia_id": "<b>"}, "aphia_id"),
        ({"how": "x" * 501}, "how"),
    ],
)
def test_a_bad_own_sign_is_refused(change: dict[str, str], column: str) -> None:
    with pytest.raises(CatalogueError, match=r"signs\.csv, line 2") as refused:
        add_sign(CATALOGUE, "signs.csv", 2, GOOD | change)
    assert refused.value.column == column
    assert refused.value.mend


def test_own_signs_are_bounded_and_distinct() -> None:
    extended = CATALOGUE
    for i in range(MAX_OWN_SIGNS):
        extended = add_sign(extended, "signs.csv", i + 2, GOOD | {"sign": f"own_{i}"})
    assert len(extended.signs) == 12 + MAX_OWN_SIGNS
    with pytest.raises(CatalogueError, match=f"beyond {MAX_OWN_SIGNS} own signs"):
        add_sign(extended, "signs.csv", MAX_OWN_SIGNS + 2, GOOD)
    with pytest.raises(CatalogueError, match="in the catalogue already"):
        add_sign(extended, "signs.csv", 3, GOOD | {"sign": "own_0"})
