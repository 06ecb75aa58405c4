"""Tables of the researcher's report, from frames."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from maturity_model.report.views.tables import Table

if TYPE_CHECKING:
    import pandas as pd


def signed(x: float, digits: int) -> str:
    """A number with its sign, as typeset."""
    return f"{x:+.{digits}f}".replace("-", "−")


def table(caption: str, rows: pd.DataFrame, columns: dict[str, Callable[[Any], str]]) -> Table:
    """A table with a row for each of a frame; ``columns`` say what to write, by heading."""
    written = (tuple(write(row) for write in columns.values()) for row in rows.itertuples())
    return Table(caption, tuple(columns), tuple(written))
