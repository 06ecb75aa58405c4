"""A no holds for every tank that could be the refused one, however its log was written down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest
from pooling.pooled_logs import SECRET, pool, simulated, write_log

from maturity_model.logbook import Logbook
from maturity_model.pooling.command import report_lines


@pytest.fixture(autouse=True)
def _pyarrow(need: Callable[[str], ModuleType]) -> None:
    need("pyarrow")


def one_tank(seed: int = 3) -> Logbook:
    """The first tank of a simulated club, alone."""
    book = simulated(seed, 4, 30)
    return book.only({next(iter(book.tanks))})


def changed_tank(book: Logbook, **what: object) -> Logbook:
    return replace(book, tanks={n: replace(t, **what) for n, t in book.tanks.items()})  # type: ignore[arg-type]


def few_signs(book: Logbook, most: int) -> Logbook:
    return replace(
        book,
        checkins=tuple(
            replace(c, signs=dict(list(c.signs.items())[:most]), readings={}) for c in book.checkins
        ),
    )


def both(folder: Path, yes: Logbook, no: Logbook) -> tuple[int, list[int], str]:
    """Pool a log with consent and, under other names, one without: tanks, refused, said."""
    a = write_log(folder / "a", yes)
    b = write_log(folder / "b", no, rename="other ", consent=dict.fromkeys(no.tanks, "no"))
    report = pool(folder / "pool", a, b)
    return len(report.pool.tanks), report.pool.refused, "\n".join(report_lines(report))


def test_a_start_one_day_off(tmp_path: Path) -> None:
    book = one_tank()
    (tank,) = book.tanks.values()
    later = changed_tank(book, started=tank.started - dt.timedelta(days=1))
    tanks, refused, said = both(tmp_path, book, later)
    assert (tanks, refused) == (0, [1, 1])
    assert "1 of these could be tanks whose keeper said no" in said


@pytest.mark.parametrize("most", [1, 3])
def test_check_ins_with_few_signs(tmp_path: Path, most: int) -> None:
    book = few_signs(one_tank(), most)
    assert max(len(c.signs) for c in book.checkins) <= 3
    assert both(tmp_path, book, book)[:2] == (0, [1, 1])


def test_another_rock_or_a_few_other_answers(tmp_path: Path) -> None:
    book = one_tank()
    first, *rest = book.checkins
    turned = replace(first, signs={name: not seen for name, seen in first.signs.items()})
    other = changed_tank(replace(book, checkins=(turned, *rest)), rock="mixed")
    assert both(tmp_path, book, other)[:2] == (0, [1, 1])


def test_tanks_that_contradict_each_other_stay(tmp_path: Path) -> None:
    book = one_tank()
    turned = tuple(
        replace(c, signs={name: not seen for name, seen in c.signs.items()}) for c in book.checkins
    )
    assert both(tmp_path, book, replace(book, checkins=turned))[:2] == (1, [0, 1])


def tables(folder: Path, tanks: str, checkins: str) -> Path:
    folder.mkdir()
    (folder / "tanks.csv").write_text("tank,keeper,started,consent\n" + tanks, "utf-8")
    (folder / "checkins.csv").write_text("tank,date,diatoms\n" + checkins, "utf-8")
    return folder


YES = f"{SECRET} 1,Ann,2026-01-05,yes\n"
LOOK = f"{SECRET} 1,2026-02-02,y\n"


@pytest.mark.parametrize(
    ("row", "left"),
    [
        # The same name and keeper, however they are spelled, whenever it began.
        (f"{SECRET}\u00a01,ann,2025-03-01,no\n", 0),
        (f"{SECRET.replace('o', chr(0x43E))} 1,Ann,2025-03-01,no\n", 0),
        # A keeper who is not named could be anyone; then the start decides.
        (f"{SECRET} 1,,2026-01-20,no\n", 0),
        (f"{SECRET} 1,,2025-01-20,no\n", 1),
        (f"{SECRET} 1,Bob,2026-01-05,no\n", 1),
        (f"{SECRET} 2,Ann,2026-01-05,no\n", 1),
        # A row that cannot be used says no all the same.
        (f"{SECRET} 1,Ann,soon,no\nNook,Ann,2026-01-05,yes\n", 0),
    ],
)
def test_names_that_could_be_the_same(tmp_path: Path, row: str, left: int) -> None:
    a = tables(tmp_path / "a", YES, LOOK)
    b = tables(tmp_path / "b", row, "")
    report = pool(tmp_path / "pool", a, b)
    assert sum(t.rows != () for t in report.pool.tanks) == left


@pytest.mark.parametrize(
    "rows", [YES + YES.replace("yes", "no"), YES.replace("yes", "no") + YES, YES + YES.replace(
        SECRET, SECRET.upper()).replace("yes", "no")],
)  # fmt: skip
def test_a_no_in_a_second_row_of_the_same_table(tmp_path: Path, rows: str) -> None:
    club = tables(tmp_path / "club", rows + "Nook,Bob,2026-01-05,yes\n", LOOK)
    report = pool(tmp_path / "pool", club)
    assert [t.rows for t in report.pool.tanks] == [()]  # the other keeper's
