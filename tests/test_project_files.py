"""The version is the same in every file that names it."""

from __future__ import annotations

import re
from pathlib import Path

from maturity_model import __version__

ROOT = Path(__file__).parents[1]


def test_the_version_is_one() -> None:
    citation = (ROOT / "CITATION.cff").read_text("utf-8")
    assert re.findall(r"^version: (.+)$", citation, re.MULTILINE) == [__version__]
    changes = (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert re.findall(r"^## (\S+)", changes, re.MULTILINE)[0] == __version__
