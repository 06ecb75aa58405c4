"""When two names are the same: other case, blanks and the invisible; and when they only look it."""

from __future__ import annotations

import doctest
import re
import unicodedata

import pytest

from maturity_model import identity
from maturity_model.identity import Names, difference, fold, look_alike, skeletons


def test_the_examples_of_the_docstrings() -> None:
    found = doctest.testmod(identity)
    assert found.attempted >= 3
    assert not found.failed


SAME = ["Tank\u00a01", "Tank\u200b 1", "TANK  1", " tank\t1", "\uff34ank 1", "\ufeffTank 1",
        "Ta\u00adnk 1", "Tank \u20601", "tank \uff11"]  # fmt: skip
ALIKE = ["T\u0430nk 1", "\u0422ank 1", "Tan\u03ba 1", "T\u0410NK 1", "Tank l", "Tank I"]
OTHER = ["Tank 2", "Tank1", "Tank", "Tanks 1", "Tank 1a"]


@pytest.mark.parametrize("text", [*SAME, *ALIKE, *OTHER])
def test_what_nobody_means_makes_no_other_name(text: str) -> None:
    """Other case and blanks are the same name, letters that only look alike another one."""
    assert (fold(text) == fold("Tank 1")) == (text in SAME)
    assert look_alike(text, "Tank 1") == (text not in OTHER)


def test_case_and_look_alikes_together() -> None:
    # U+0412 looks like B; its small form U+0432 does not look like b, but is the same letter.
    assert all(look_alike(a, b) for a in ("\u0412oris", "\u0432oris") for b in ("Boris", "boris"))


def test_the_table_is_the_whole_of_uts_39() -> None:
    # The count is that of the last line of confusables.txt 13.0.0, "# total: 6311".
    table = identity._prototypes()
    assert len(table) == 6311
    # Examples of the standard: section 4, "paypal" with Cyrillic letters; "rn" and "m".
    assert look_alike("\u0440\u0430\u0443\u0440\u0430l", "paypal")
    assert look_alike("corn", "com") is True
    text = identity._TABLE.read_text("ascii")
    assert "version 13.0.0" in text
    assert "Permission is hereby granted" in text


def test_nothing_invisible_is_left_in_a_folded_name() -> None:
    """The ranges against the categories of Python's own Unicode data: another source."""
    invisible = [chr(c) for c in range(0x110000) if unicodedata.category(chr(c)) == "Cf"]
    # Format characters that show something (marks over Arabic, Kaithi and Egyptian numbers).
    shown = re.compile(
        "[\u0600-\u0605\u06dd\u070f\u0890\u0891\u08e2\ufff9-\ufffb\U000110bd\U000110cd"
        "\U00013430-\U0001345f]"
    )
    assert len(invisible) > 150
    assert [c for c in invisible if not shown.match(c) and fold(f"a{c}b") != "ab"] == []


def test_differences_are_said_with_code_points() -> None:
    said = difference("TANK\u00a01\u200b", "Tank 1", "tanks.csv")
    assert said == (
        "has 'ANK' and U+00A0 where 'Tank 1' in tanks.csv has 'ank' and a space, "
        "U+200B where it has nothing"
    )
    assert difference("T\u0430nk", "Tank", "x").startswith("has U+0430 where 'Tank' in x has 'a'")


def test_names_are_found_in_other_spellings() -> None:
    names = Names(["Tank 1", "tank 1", "R\u0435ef"], "tanks.csv")
    assert names.same("TANK 1") == "Tank 1"
    assert names.same("T\u0430nk 1") is None
    assert names.alike("T\u0430nk 1") == "Tank 1"
    assert names.alike("Reef") == "R\u0435ef"
    names.add("Nook", "kits.csv")
    assert names.alike("N\u043eok") == "Nook"
    assert names.difference("nook", "Nook") == "has 'n' where 'Nook' in kits.csv has 'N'"
    assert skeletons("") == {""}
