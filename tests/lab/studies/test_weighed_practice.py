"""Numbers of practice that were weighed with simulated ecologies (``reports/practice``)."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

import maturity_model.catalogue
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.catalogue.load import read_catalogue
from maturity_model.fitting.handing_on.hand_on import MOVES, READINGS, SIGNS
from maturity_model.population import elicit_population

DATA = Path(maturity_model.catalogue.__file__).parent / "data"


@cache
def before() -> pd.DataFrame:
    """What practice said before: ``table, row, column, before``."""
    folder = Path(__file__).parents[3] / "reports" / "practice"
    return pd.read_csv(folder / "before.csv", dtype=str)


def row_names(table: str, rows: pd.DataFrame) -> pd.Series:
    if table == "observing":
        return rows["quantity"] + " " + rows["item"]
    return rows.iloc[:, 0]


def read(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def former_catalogue(folder: Path) -> Catalogue:
    """The catalogue as practice alone had it."""
    shutil.copytree(DATA, folder)
    for table, changes in before().groupby("table"):
        path = folder / f"{table}.csv"
        rows = read(path)
        names = row_names(str(table), rows)
        for change in changes.itertuples():
            rows.loc[names == change.row, change.column] = change.before
        rows.to_csv(path, index=False, lineterminator="\n")
    return read_catalogue(folder)


def test_what_practice_said_before_is_kept_whole() -> None:
    changed = set(before()[["table", "row", "column"]].itertuples(index=False, name=None))
    assert len(changed) == len(before())
    # Each is a number of the catalogue that is now marked as weighed.
    weighed = set()
    for table in before()["table"].unique():
        rows = read(DATA / f"{table}.csv")
        names = row_names(table, rows)
        for column in rows:
            weighed |= {(table, n, column) for n in names[rows[column].str.endswith("[W]")]}
    assert weighed == changed
    assert before()["before"].str.endswith(("[P]", "[E]")).all()


def test_no_number_went_further_than_practice_would_let_it(tmp_path: Path) -> None:
    former = former_catalogue(tmp_path / "data")
    assert former.signs["diatoms"].detection[1].value == 0.85
    assert load_catalogue().signs["diatoms"].detection[1].value != 0.85
    was, now = elicit_population(former, 0.4), elicit_population(load_catalogue(), 0.4)
    positive = {"reading_sd", "pace_sd"}
    for name in positive.union(SIGNS, MOVES, READINGS) - {"outlier", "event_memory"}:
        a, b = (getattr(p, name) for p in (was, now))
        if name in positive:
            a, b = np.log(a), np.log(b)
        with np.errstate(divide="ignore", invalid="ignore"):
            # The draws of the former practice are spread as its priors.
            size = np.abs((b - a).mean(axis=-1)) / a.std(axis=-1)
        assert np.nanmax(np.where(np.isfinite(size), size, 0.0)) < 2.0, name
