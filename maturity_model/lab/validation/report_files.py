"""The files of a report: its page, and the tables and settings that the page is made from."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pandas as pd

from maturity_model.lab.page import csv_text
from maturity_model.lab.validation.cases import Settings
from maturity_model.lab.validation.forecasters import FITTED, FITTED_JUDGED
from maturity_model.lab.validation.page import Tables, build_page

SETTINGS = "settings.json"


def read_table(text: str) -> pd.DataFrame:
    """Read a table as it stands in its CSV file."""
    words = dict.fromkeys(("item", "phase", "evidence_weight", FITTED, FITTED_JUDGED), str)
    return pd.read_csv(io.StringIO(text), dtype=words, keep_default_na=False, na_values=[""])


class NoReport(ValueError):
    """A folder without a whole report."""


def read_report(folder: Path) -> tuple[dict[str, pd.DataFrame], Settings, str]:
    """Tables, settings and command of a report, from the files beside its page.

    Raises
    ------
    NoReport
        When a file is missing or damaged.
    """
    try:
        tables = {p.stem: read_table(p.read_text("utf-8")) for p in folder.glob("*.csv")}
        settings = json.loads((folder / SETTINGS).read_text("utf-8"))
        command = settings.pop("command")
        return tables, Settings(**settings), command
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise NoReport(f"{folder} holds no report of an earlier run: {error}") from error


def write_report(tables: Tables, settings: Settings, out: Path, command: str) -> None:
    """Write the page, its figures, and the tables it is made from, into a folder."""
    written = {}
    for name, table in tables.items():
        real = table.select_dtypes("floating").columns
        written[name] = csv_text(table, dict.fromkeys(real, "{:.6g}"))
    # From the rounded numbers, so that anybody can make the same page from the files.
    page = build_page({n: read_table(text) for n, text in written.items()}, settings, command)
    page.files |= {f"{name}.csv": text for name, text in written.items()}
    page.files[SETTINGS] = json.dumps({"command": command, **settings._asdict()}, indent=1) + "\n"
    page.write(out)
