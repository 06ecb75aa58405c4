"""A no holds for every tank that could be the refused one, however its log was written down."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest
from command_logs import write_log as write_tables
from pooling.pooled_logs import SECRET, contents, pool, simulated, write_log

from maturity_model.cli import main
from maturity_model.logbook import Logbook
from maturity_model.pooling.command import report_lines


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
    assert "1 of these could be a tank whose keeper said no" in said


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


HEAD = "tank,keeper,started,consent\n"


def tables(folder: Path, tanks: str, checkins: str) -> Path:
    return write_tables(folder, HEAD + tanks, "tank,date,diatoms\n" + checkins)


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
        # Without a check-in it cannot be shown to be another tank of that keeper's.
        (f"{SECRET} 2,ann,2026-01-20,no\n", 0),
        (f"{SECRET} 2,Ann,2025-01-20,no\n", 1),
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
    club = tables(tmp_path / "club", rows + "Nook,Bob,2026-01-05,yes\n", LOOK + NOOK)
    assert not pool(tmp_path / "pool", club).pool.tanks


NOOK = "Nook,2026-02-02,y\n"
OTHER = "Nook,Bob,2026-01-05,yes\n"


@pytest.mark.parametrize(
    ("file", "content", "place"),
    [
        ("tanks (conflicted copy).csv", HEAD + YES.replace("yes", "no"), "conflicted"),
        ("2025/tanks.csv", HEAD + YES.replace("yes", "no"), "2025/tanks.csv"),
        ("tanks.tsv", (HEAD + YES.replace("yes", "no")).replace(",", "\t"), "tanks.tsv"),
        ("tanks.csv", HEAD + YES + YES.replace("yes", "no,extra"), "line 3"),
        ("tanks.csv", HEAD + YES + YES.replace("yes", '"no'), "line 3"),
        ("tanks.csv", HEAD + YES + ",Ann,2026-01-05,no\n", "line 3"),
        ("tanks.csv", HEAD + YES.replace("2026-01-05,yes", "soon,no"), "line 2"),
        ("tanks.csv", HEAD.replace("consent", "concent") + YES, "column concent"),
        ("tanks.csv", HEAD.replace("consent", "Consent to pool") + YES, "column Consent to pool"),
        ("tanks.csv", HEAD.replace("consent", "may be pooled") + YES, "column may be pooled"),
        ("tanks.csv", HEAD.replace("consent", "") + YES, "column number 4"),
        ("tanks.csv", HEAD.replace("consent", "consent,consent") + YES, "column consent"),
        ("tanks.csv", HEAD.replace("consent", "x" * 100) + YES, "column xxx"),
        ("consent.csv", "tank,consent\n", "consent.csv"),
        ("log.xlsx", "damaged", "log.xlsx"),
    ],
)
def test_a_logbook_with_a_part_that_may_hold_a_no_is_not_pooled(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], file: str, content: str, place: str
) -> None:
    club = tables(tmp_path / "club", YES, LOOK)
    (club / file).parent.mkdir(exist_ok=True)
    (club / file).write_text(content, "utf-8")
    words = ["pool", str(club), "--out", str(tmp_path / "pool"), "--consent-default", "yes"]
    assert main(words) == 3
    out, err = capsys.readouterr()
    assert "club is not pooled, because a no to pooling could stand in" in err
    assert place in next(line for line in err.splitlines() if "is not pooled" in line)
    assert "taken on your word" not in out
    assert not list(tmp_path.glob("pool*"))  # no key either
    # Others are pooled, unless they could be of the same tank.
    for row, look, left in ((OTHER, NOOK, 1), (YES, LOOK, 0)):
        other = tables(tmp_path / f"other {left}", row, look)
        assert len(pool(tmp_path / f"with {left}", club, other).pool.tanks) == left


def test_a_part_that_can_hold_no_refusal_leaves_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    club = tables(tmp_path / "club", "", LOOK + "nobody's,2026-02-02,y\n")
    (club / "tanks.csv").write_text(
        HEAD.replace("\n", ",comments\n") + YES.replace("\n", ",Quokka\n")
    )
    (club / "events.csv.txt").write_text("tank,date,event\n")
    (club / "diary.csv").write_text("day\n")
    assert main(["pool", str(club), "--out", str(tmp_path / "pool")]) == 0
    out, _ = capsys.readouterr()
    assert "club: 3 rows read, 2 used, 1 reported, 1 file or sheet refused; 1 tank\n" in out
    assert "1 tank pooled; grouped by all that is published, the smallest group has 1 tank, " in out
    assert "and 1 is alone in its group" in out


def test_a_no_is_not_talked_round(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    club = tables(tmp_path / "club", YES, LOOK)
    words = ["pool", str(club), "--out", str(tmp_path / "pool")]
    assert main(words) == 0
    before = contents(tmp_path / "pool")
    (club / "tanks.csv").write_text(HEAD + YES.replace("yes", "no"))
    capsys.readouterr()
    assert main(words) == 3
    out, _ = capsys.readouterr()
    assert "no tank is left to pool, so no pool was written\n" in out
    assert "--consent-default" not in out
    assert f"The older pool {tmp_path / 'pool'} is as it was" in out
    assert contents(tmp_path / "pool") == before
    assert (tmp_path / "pool.key").exists()  # of the older pool


def test_a_tank_without_a_check_in_is_left_out(tmp_path: Path) -> None:
    report = pool(tmp_path / "pool", tables(tmp_path / "club", YES + OTHER, LOOK))
    assert len(report.pool.tanks) == 1
    assert report.pool.refused == [0]
    assert "left out: 1 tank without a check-in" in report_lines(report)
