"""The field guide's texts: one entry for each sign, phase and event, whole and marked."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from maturity_model.catalogue import CatalogueError, load_catalogue
from maturity_model.catalogue.guide import GuideEntry, MarkedText, load_guide, read_entry
from maturity_model.catalogue.load import DATA

CATALOGUE = load_catalogue()
NAMES = (*CATALOGUE.signs, *CATALOGUE.phases, *CATALOGUE.events)
GOOD = (DATA / "guide" / "crash.toml").read_text("utf-8")


def texts(entry: GuideEntry) -> list[MarkedText]:
    found = [entry.seen, entry.where, entry.how, entry.when, entry.gone, entry.do_not]
    found += [entry.caution] if entry.caution else []
    return found + [other.test for other in entry.mistaken_for]


def test_there_is_an_entry_for_everything_and_for_nothing_else() -> None:
    assert tuple(load_guide()) == NAMES
    assert {p.stem for p in (DATA / "guide").iterdir()} == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_an_entry_is_whole(name: str) -> None:
    entry = load_guide()[name]
    assert len(entry.mistaken_for) >= 2
    assert all(other.what for other in entry.mistaken_for)
    assert bool(entry.bar) == (name not in CATALOGUE.events)
    for said in texts(entry):
        assert said.text[0].isupper()
        assert said.text.endswith((".", "?"))
        assert set(said.sources) <= set(CATALOGUE.sources)
        # Never a dose: no amount of anything that goes into a tank.
        assert not re.search(r"[0-9]\s*(ml|mg|g|drops?|tablets?)\b", said.text)


@pytest.mark.parametrize(
    ("name", "other", "test"),
    [
        # The tests that issue 17 names.
        ("copepods", "Dust", "A copepod hops, dust drifts"),
        ("spirorbid_worms", "A curl of detritus", "hard and glued on"),
        ("syconoid_sponges", "An egg mass", "one mouth"),
        ("syconoid_sponges", "A colonial sea squirt", "one mouth"),
        ("sand_worm_tubes", "Scratches in the glass", "differ a week later"),
        ("sand_gas_bubbles", "Bubbles on algae", "stay in the bed"),
        ("diatoms", "Cyanobacteria", "lift as a sheet"),
        ("diatoms", "Dinoflagellates", "vanished overnight"),
        ("cyanobacteria", "Diatoms", "wipe off as brown dust"),
        ("coralline_algae", "Red film", "A crust is hard"),
    ],
)
def test_what_tells_it_from_what_it_is_mistaken_for(name: str, other: str, test: str) -> None:
    (said,) = [o.test.text for o in load_guide()[name].mistaken_for if o.what == other]
    assert test in said


def test_nobody_is_asked_to_dig_or_to_lift_rocks() -> None:
    assert "Do not dig" in load_guide()["sand_worm_tubes"].do_not.text
    assert "Do not lift rocks" in load_guide()["syconoid_sponges"].do_not.text


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('seen = "', 'sean = "', "seen"),
        ("smells. [P]", "smells.", "no text with a source mark"),
        ("smells. [P]", "smells. [Nobody]", "Nobody"),
        ('gone = "', 'colour = "red"\ngone = "', "colour"),
        ('gone = "', "gone = ", "is not TOML"),
    ],
)
def test_a_fault_is_named_with_its_place(tmp_path: Path, old: str, new: str, says: str) -> None:
    path = tmp_path / "crash.toml"
    path.write_text(GOOD.replace(old, new, 1), "utf-8")
    with pytest.raises(CatalogueError, match=r"^crash\.toml, line [0-9]+") as caught:
        read_entry(path)
    assert says in str(caught.value)
