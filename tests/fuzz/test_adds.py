"""A few hundred added files lose no row; the check itself notices a row that gets lost."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from fuzz.adds import run
from maturity_model.logbook.csv_text import CsvText


def test_no_row_gets_lost() -> None:
    counts, bad = run(200, seed=7)
    assert bad == 0
    assert counts["traceback"].sum() == 0
    assert (counts[["added", "refused", "corrected", "not corrected"]].sum() > 20).all()


def test_a_lost_cell_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    append = CsvText.append

    def shorter(self: CsvText, cells: Sequence[str]) -> None:
        append(self, [*cells[:-1], ""])

    monkeypatch.setattr(CsvText, "append", shorter)
    assert run(40, seed=7)[1] > 0
