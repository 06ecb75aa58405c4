"""Pages made again from their committed CSV files: the same words and numbers."""

from __future__ import annotations

import importlib
import re
from pathlib import Path
from typing import Any

import pytest

from maturity_model.lab.studies.settings import STUDIES, Setting

REPORTS = Path(__file__).parents[3] / "reports"
#: Those whose committed files give the whole page; some of them with the extra 'fit'.
READ_BACK = [
    *("evidence-weight", "surprise", "identifiability", "pooling"),
    *(pytest.param(n, marks=pytest.mark.fit) for n in ("agreement", "coverage", "calibration")),
]
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def assert_same_but_for_rounding(found: str, wanted: str) -> None:
    """Compare pages; numbers in a CSV file are rounded, and round again in the last digit."""
    # Where a line ends is no matter.
    found, wanted = (" ".join(text.split()) for text in (found, wanted))
    assert _NUMBER.sub("0", found) == _NUMBER.sub("0", wanted)
    for a, b in zip(_NUMBER.findall(found), _NUMBER.findall(wanted), strict=True):
        last = 10.0 ** -len(b.partition(".")[2])
        if "." not in b and float(b) < 100:
            # Counts, which are in the file as they are.
            last = 0.0
        assert float(a) == pytest.approx(float(b), rel=0, abs=1.01 * last)


def study(name: str) -> tuple[Any, Setting, Path]:
    module = name.replace("-", "_")
    (setting,) = (kind() for kind in STUDIES if kind.study == name)
    return (
        importlib.import_module(f"maturity_model.lab.studies.{module}"),
        setting,
        REPORTS / module,
    )


@pytest.mark.parametrize("name", READ_BACK)
def test_the_committed_page_is_that_of_the_committed_numbers(name: str) -> None:
    module, setting, folder = study(name)
    page = module.page(module.read(folder), setting)
    assert_same_but_for_rounding(page.markdown(), (folder / "README.md").read_text("utf-8"))
    for file, content in page.files.items():
        committed = (folder / file).read_text(encoding="utf-8")
        if file.endswith(".svg"):
            # Another matplotlib draws other paths.
            assert content[: content.index("</desc>")] == committed[: committed.index("</desc>")]
        else:
            assert content == committed


def test_the_comparison_sees_a_number_that_moved() -> None:
    assert_same_but_for_rounding("error 0.124, 3 tanks", "error 0.125, 3 tanks")
    for other in ("error 0.127, 3 tanks", "error 0.125, 4 tanks", "errors 0.125, 3 tanks"):
        with pytest.raises(AssertionError):
            assert_same_but_for_rounding("error 0.125, 3 tanks", other)
