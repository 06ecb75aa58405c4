"""Cases: which there are, how they are kept on file, and the command."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from validation_examples import BROKEN, MECHANISTIC, OWN, forecasts
from validation_examples import result as made

from maturity_model.cli.main import main
from maturity_model.lab.validation import optional, pooled_fit, results, study
from maturity_model.lab.validation.cases import ECOLOGIES, Case, Settings, cases
from maturity_model.lab.validation.clubs import Club, World
from maturity_model.lab.validation.forecasters import (
    BASELINES,
    CEILING,
    FITTED,
    FITTED_JUDGED,
    TOOL,
)
from maturity_model.lab.validation.forecasts import Forecaster
from maturity_model.lab.validation.results import CaseResult, load, save
from maturity_model.population import load_population
from maturity_model.population.types import Population

THREE = (OWN, MECHANISTIC, BROKEN)


def diagnosed(seed: int = 0) -> CaseResult:
    """A result with a row in every table, and words that look like numbers."""
    one = pd.DataFrame({"forecaster": [TOOL], "tank": [seed], "score": [seed / 7]})
    causes = pd.DataFrame({"kind": ["weight", "sign"], "item": ["0.4", "NA"], "n": [np.nan, 3]})
    note = {"ceiling": "9 trees"}
    return replace(
        made((0.6, 0.6)),
        times=one,
        alarms=one,
        risk=one,
        diagnosis=causes,
        note=note,
        permissions=one,
    )


def assert_same(a: CaseResult, b: CaseResult) -> None:
    assert a.note == b.note
    for name in results.TABLES:
        one, other = getattr(a, name), getattr(b, name)
        pd.testing.assert_frame_equal(one, other, check_dtype=False, check_exact=True)


def test_a_case_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "case.npz"
    save(diagnosed(), path)
    found = load(path)
    assert found is not None
    assert_same(diagnosed(), found)
    assert [p.name for p in tmp_path.iterdir()] == ["case.npz"]
    assert load(tmp_path / "none.npz") is None


@pytest.fixture
def scored(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Replace simulation and scoring; the list grows by each case or fit that is scored."""
    calls: list[str] = []

    def worlds(case: Case, _: Settings) -> tuple[list[Club], list[Club]]:
        calls.append(case.name)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return [], []

    def program(_: object, __: object, forecaster: Forecaster, **___: Any) -> CaseResult:
        return CaseResult(forecasts(0.7, 0.7, forecaster.name))

    monkeypatch.setattr(study, "_simulate", worlds)
    monkeypatch.setattr(study, "ask_permissions", lambda *_: CaseResult())
    monkeypatch.setattr(study, "score_references", lambda *_: diagnosed(len(calls)))
    monkeypatch.setattr(study, "score_program", program)
    monkeypatch.setattr(study, "_versions", lambda: ("1",))
    return calls


def test_a_run_takes_up_what_is_on_file(tmp_path: Path, scored: list[str]) -> None:
    settings, population = Settings(tanks=12), load_population()
    with pytest.raises(KeyboardInterrupt):
        study.run(THREE, settings, population, tmp_path)
    again = study.run(THREE, settings, population, tmp_path)
    assert scored == ["own", "mechanistic-typical", "mechanistic-typical", "broken-x"]
    # What the first run scored, not the second.
    assert again["own"].risk["tank"].tolist() == [1]
    assert again["own"].note == {"ceiling": "9 trees", "evidence_weight": "1"}
    # Another seed, and for the model's own world another number of its tanks, run anew.
    study.run(THREE[:2], settings._replace(own_tanks=90), population, tmp_path)
    assert scored[4:] == ["own"]
    study.run(THREE[2:], settings._replace(seed=2), population, tmp_path)
    assert scored[5:] == ["broken-x"]


def test_a_pooled_fit_adds_to_a_case_without_running_it_again(
    tmp_path: Path, scored: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    population, fits = load_population(), []

    def fitted(world: World, _: Settings, judged: float, *__: object) -> Population:
        fits.append((world.preset, judged))
        verdict = "failed: too few draws" if judged else "passed"
        return replace(population, kind="fitted", provenance={"diagnostics": verdict})

    monkeypatch.setattr(pooled_fit, "fitted", fitted)
    scored.append("before")
    scored.append("no interrupt")
    settings = Settings(tanks=12, fit_tanks=5, fit_cases=("mechanistic-typical",))
    other = MECHANISTIC._replace(name="mechanistic-slow", world=World("mechanistic", "slow"))
    found = study.run((*THREE, other), settings, population, tmp_path)
    assert fits == [("t", 0.0), ("t", 0.2)]
    assert len(scored) == 2 + 4 + 2
    with_fits, without = found["mechanistic-typical"], found["mechanistic-slow"]
    names = [list(r.forecasts["forecaster"].unique()) for r in (with_fits, without)]
    assert names[1] == [*BASELINES, CEILING, TOOL]
    assert names[0] == [*names[1], FITTED, FITTED_JUDGED]
    assert with_fits.note[FITTED].endswith("; the fit passed its checks")
    assert with_fits.note[FITTED_JUDGED].endswith("; failed: too few draws")
    again = study.run((*THREE, other), settings, population, tmp_path)
    assert len(fits) == 2
    assert_same(again["mechanistic-typical"], with_fits)
    study.run(THREE, settings._replace(fit_draws=50), population, tmp_path)
    assert len(fits) == 4


def test_the_key_knows_the_code() -> None:
    # All that it names is there, the code of every ecology and of the diagnosis among it.
    folder = Path(results.__file__).parent
    assert {p.name for p in folder.glob("*.py")} >= results.NOT_SCORING
    assert "diagnosis.py" not in results.NOT_SCORING
    assert "lab/worlds" in results.SCORED_BY
    assert all((folder.parents[1] / name).exists() for name in results.SCORED_BY)


def test_cases_are_chosen_by_name_and_group() -> None:
    every = cases()
    assert len({c.name for c in every}) == len(every) > 10
    groups = list(dict.fromkeys(c.group for c in every))
    assert groups == ["own", "mechanistic", "microcosm", "mesocosm", "broken"]
    assert [c.name for c in cases(["own", "microcosm"])] == ["own", "microcosm-usual"]
    assert all(c.world == (c.group, c.name.partition("-")[2], ()) for c in cases(ECOLOGIES))
    with pytest.raises(ValueError, match="no case is called 'nothing'"):
        cases(["nothing"])


@pytest.mark.parametrize(
    ("options", "code", "why"),
    [
        ("--case nothing", 2, "no case is called 'nothing'"),
        ("--tanks 4 --clubs 5", 2, "too few for 5 clubs"),
        ("--case own --fit-case own", 2, "'own' is no ecology's case of this run"),
        ("--population none.nc", 4, "none.nc"),
        ("--permissions-only", 2, "holds no report of an earlier run"),
    ],
)
def test_the_command_says_what_is_wrong_with_it(
    options: str, code: int, why: str, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(optional, "PACKAGES", {})
    assert main(["validate", "--out", str(tmp_path / "x"), *options.split()]) == code
    assert why in capsys.readouterr().err


@pytest.mark.slow
def test_a_small_run_from_end_to_end(tmp_path: Path) -> None:
    pytest.importorskip("sklearn")
    pytest.importorskip("hmmlearn")
    out = tmp_path / "out"
    size = ["--tanks", "6", "--clubs", "3", "--own-tanks", "6", "--own-clubs", "3"]
    size += ["--weeks", "20", "--training", "12", "--permission-tanks", "6"]
    args = ["validate", "--out", str(out), *size, "--case", "own", "--case", "mechanistic-typical"]
    assert main(args) == 0
    assert (out / "README.md").is_file()
    assert len(list((out / ".cases").glob("*.npz"))) == 4
    first = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}
    # A rerun takes up both cases and says the same.
    assert main(args) == 0
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()} == first
    # Asked again alone, the permissions are the same, and all else is left as it is.
    assert main([*args, "--permissions-only"]) == 0
    now = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}
    changed = {name for name in first if now[name] != first[name]}
    assert changed == {"README.md", "settings.json"}
    assert b" && maturity-model validate" in now["settings.json"]
