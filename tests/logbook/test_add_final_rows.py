"""Adding composes the final rows first, and reads them as the log will."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from logbook.adding import CHECKINS, FILE, TODAY, Make, refused, tables

from maturity_model.logbook import read_logbook
from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import EditError


def test_a_blank_look_leaves_the_look_that_is_there(make: Make, file: Callable[..., Path]) -> None:
    folder = make(checkins=CHECKINS.replace("careful", "torch"))
    path = file(FILE + "Reef,2026-03-01,ann,n,,,,\n")
    assert add_file(path, folder, today=TODAY, conflict="replace").replaced == 1
    (found,) = read_logbook(folder, today=TODAY).checkins
    assert (found.look, found.signs) == ("torch", {"diatoms": False})
    # The other way round, a stated look replaces a blank one.
    path = file("tank,date,look\nReef,2026-03-01,glance\n")
    assert add_file(path, folder, today=TODAY, conflict="replace").replaced == 1
    assert read_logbook(folder, today=TODAY).checkins[0].look == "glance"


def test_a_blank_observer_reads_with_the_kit_of_the_row_that_it_replaces(
    make: Make, file: Callable[..., Path]
) -> None:
    kits = "keeper,analyte,method,unit\nann,nitrate,strip,mg/L NO3\nbob,nitrate,photometer,mg/L N\n"
    folder = make(kits=kits, checkins="tank,date,observer,nitrate\nReef,2026-03-01,bob,1\n")
    path = file("tank,date,nitrate\nReef,2026-03-01,2\n")
    assert add_file(path, folder, today=TODAY, conflict="replace").replaced == 1
    (found,) = read_logbook(folder, today=TODAY).checkins
    assert (found.observer, found.readings["nitrate"].unit) == ("bob", "mg/L N")
    assert add_file(path, folder, today=TODAY).already == 1


def test_a_reading_that_the_replaced_rows_kit_cannot_give_is_refused(
    make: Make, file: Callable[..., Path]
) -> None:
    kits = "keeper,analyte,method,unit\nbob,nitrate,photometer,furlongs\n"
    folder = make(kits=kits, checkins="tank,date,observer,diatoms\nReef,2026-03-01,bob,y\n")
    (line,) = refused(file("tank,date,nitrate\nReef,2026-03-01,2\n"), folder, conflict="replace")
    assert line.startswith("in.csv, line 2, column nitrate: '2' was read with a kit whose row")
    assert "mend that row first" in line
    # As a separate row it is read with the keeper's kit.
    path = file("tank,date,observer,nitrate\nReef,2026-03-01,,2\n")
    assert add_file(path, folder, today=TODAY, conflict="beside").checkins == 1


def test_another_observers_kit_does_not_lose_a_reading(
    make: Make, file: Callable[..., Path]
) -> None:
    kits = "keeper,analyte,method,unit\nbob,nitrate,photometer,furlongs\n"
    folder = make(kits=kits, checkins="tank,date,observer,nitrate\nReef,2026-03-01,,5\n")
    path = file("tank,date,observer\nReef,2026-03-01,bob\n")
    (line,) = refused(path, folder, conflict="replace")
    assert line.startswith("in.csv, line 2, column nitrate: '5' was read with a kit")


@pytest.mark.parametrize("length", [79, 80])
def test_an_observer_that_begins_like_a_formula(
    make: Make, file: Callable[..., Path], length: int
) -> None:
    name = "=" + "x" * (length - 1)
    folder = make()
    path = file(f"tank,date,observer,note\nReef,2026-03-08,{name},=1+1\n")
    assert add_file(path, folder, today=TODAY).checkins == 1
    assert f",'{name},".encode() in (folder / "checkins.csv").read_bytes()
    found = read_logbook(folder, today=TODAY).checkins[-1]
    assert (found.observer, found.note) == (name, "=1+1")
    assert add_file(path, folder, today=TODAY).already == 1
    (line,) = refused_or_none(file(f"tank,date,observer\nReef,2026-03-09,={name}x\n"), folder)
    assert line.startswith("in.csv, line 2, column observer")
    assert "is longer than 80 characters" in line


def refused_or_none(path: Path, folder: Path) -> tuple[str, ...]:
    """Lines that refuse a file of a logbook that has been added to."""
    before = tables(folder)
    with pytest.raises(EditError) as caught:
        add_file(path, folder, today=TODAY)
    assert tables(folder) == before
    return caught.value.lines


def test_a_tank_that_begins_like_a_formula_is_written_so_that_nothing_runs(
    make: Make, file: Callable[..., Path]
) -> None:
    folder = make(tanks="tank,started\n=cmd|x,2026-01-01\n", checkins="tank,date\n")
    path = file("tank,date,diatoms\n=cmd|x,2026-03-08,y\n")
    assert add_file(path, folder, today=TODAY).checkins == 1
    assert (folder / "checkins.csv").read_text() == ("tank,date,diatoms\n'=cmd|x,2026-03-08,y\n")
    assert read_logbook(folder, today=TODAY).checkins[0].tank == "=cmd|x"


def test_a_tank_in_other_case_is_added_under_its_own_name(
    make: Make, file: Callable[..., Path]
) -> None:
    folder = make()
    added = add_file(file(FILE + "REEF,2026-03-08,ANN,y,,,,\n"), folder, today=TODAY)
    assert (folder / "checkins.csv").read_text().endswith("Reef,2026-03-08,ann,,y,,\n")
    assert [r.split(":")[0] for r in added.remarks] == [
        "in.csv, line 2, column tank", "in.csv, line 2, column observer"
    ]  # fmt: skip
    (line,) = refused_or_none(file(FILE + "R\u0435ef,2026-03-09,,y,,,,\n"), folder)
    assert "U+0435 where 'Reef' in tanks.csv has 'e'" in line


def test_a_row_from_before_a_restart_is_not_passed_over(
    make: Make, file: Callable[..., Path]
) -> None:
    folder = make(tanks="tank,started,restarted\nReef,2026-01-01,2026-03-05\n")
    (line,) = refused(file("tank,date,diatoms\nReef,2026-03-04,y\n"), folder)
    assert line.startswith("in.csv, line 2, column date: lies before the tank was restarted")
