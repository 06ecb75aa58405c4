"""How practice was weighed with simulated ecologies: a small run of the study."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.cli.main import main
from maturity_model.fitting.handing_on.prior_shifts import catalogue_shifts
from maturity_model.lab.validation import practice as study
from maturity_model.population import elicit_population
from maturity_model.population.priors import priors_from_catalogue


def test_what_practice_said_before_is_kept_whole() -> None:
    before = study.former_rows()
    changed = set(before[["table", "row", "column"]].itertuples(index=False, name=None))
    assert len(changed) == len(before)
    # Each is a number of the catalogue that is now marked as weighed.
    data = Path(study.maturity_model.catalogue.__file__).parent / "data"
    weighed = set()
    for table in before["table"].unique():
        rows = pd.read_csv(data / f"{table}.csv", dtype=str, keep_default_na=False)
        names = study.row_names(table, rows)
        for column in rows:
            weighed |= {(table, n, column) for n in names[rows[column].str.endswith("[W]")]}
    assert weighed == changed
    assert before["before"].str.endswith(("[P]", "[E]")).all()
    former, now = study.former_catalogue(), load_catalogue()
    assert former.signs["diatoms"].detection[1].value == 0.85
    assert now.signs["diatoms"].detection[1].value != 0.85
    assert former.sources == now.sources


def test_no_number_went_further_than_practice_would_let_it() -> None:
    before = elicit_population(study.former_catalogue(), 0.4)
    now = elicit_population(load_catalogue(), 0.4)
    shifts = catalogue_shifts(priors_from_catalogue(study.former_catalogue()))
    for part in shifts.parts:
        a, b = (getattr(p, part.name) for p in (before, now))
        with np.errstate(divide="ignore", invalid="ignore"):
            moved = np.log(b / a) if part.log else b - a
            size = np.abs(moved.mean(axis=-1)) / part.sd
        assert np.nanmax(np.where(np.isfinite(size), size, 0.0)) < 2.0, part.name


def test_shifts_of_an_earlier_run_are_taken_up_or_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    committed = Path(__file__).parents[3] / "reports" / "practice" / "shifts.csv"
    found = study.read_shifts(committed)
    assert set(found) == {"mechanistic", "microcosm", "both"}
    assert all(len(x) == len(study.parameter_names(load_catalogue())) for x in found.values())
    other = tmp_path / "other.csv"
    other.write_text("parameter,both\nlog_advance[bloom],1\n", "utf-8")
    for path in (other, tmp_path / "none.csv"):
        words = ["study", "practice", "--taught", str(path), "--out", str(tmp_path / "out")]
        assert main(words) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert f"cannot use {path}" in said
    assert not (tmp_path / "out").exists()


@pytest.mark.long
def test_a_small_run_gains_where_nothing_was_taught(tmp_path: Path) -> None:
    found = study.run(10, 10, lambda _: None)
    study.write(found, 10, 10, tmp_path, "maturity-model study practice")
    text = (tmp_path / "README.md").read_text("utf-8")
    assert "| mesocosm, usual |" in text
    again = study.read_shifts(tmp_path / "shifts.csv")
    for name, vector in found.shift.items():
        np.testing.assert_allclose(again[name], vector, atol=1e-4)
    unseen = found.scores[found.scores["world"] == "mesocosm"]
    unseen = unseen.pivot(index=["preset", "club"], columns="population", values="log_score")
    gained = unseen["taught with both"] - unseen["practice"]
    assert gained.mean() > 2 * gained.sem()
