"""Scores made in JAX: those of the kernels, in the same files, and resumed."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from pooling.pooled_logs import CATALOGUE, simulated
from scoring.scored import files, make, small_population, table

from maturity_model.assessment import filtering
from maturity_model.cli import main
from maturity_model.logbook import Logbook
from maturity_model.panel import last_day
from maturity_model.population import elicit_population
from maturity_model.population.members import make_members
from maturity_model.scoring import ScoringError, score
from maturity_model.scoring.parts import MANIFEST
from maturity_model.scoring.tanks import score_tanks

pytestmark = pytest.mark.reference


@pytest.fixture(autouse=True)
def device(need: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    need("pyarrow")
    need("jax")
    monkeypatch.setenv("MATURITY_MODEL_JAX_CPU", "1")
    found = need("maturity_model.scoring.device")
    # Two batches in a part, and few padded tanks.
    monkeypatch.setattr(found, "TANKS", 3)
    monkeypatch.setattr(found, "_TANKS", 2)
    return found


def equal(out: Path, other: Path) -> int:
    """Compare two folders of scores; how many numbers were compared."""
    ours, theirs = table(out), table(other)
    assert list(ours) == list(theirs)
    count = 0
    for key, row in theirs.items():
        assert list(ours[key]) == list(row)
        for column, value in row.items():
            if isinstance(value, float):
                close = 1e-6 if column in ("khat", "power", "effective") else 1e-9
                np.testing.assert_allclose(
                    ours[key][column], value, rtol=0, atol=close, err_msg=f"{key} {column}"
                )
                count += 1
            else:
                assert ours[key][column] == value
    return count


@pytest.mark.parametrize("weight", [None, 0.0])
def test_the_same_scores_in_the_same_files(tmp_path: Path, weight: float | None) -> None:
    population = small_population(tmp_path / "p.nc")
    pool = make(tmp_path)
    for kind in ("cpu", "gpu"):
        score(
            pool, tmp_path / kind, population=population, part_tanks=5, device=kind,
            evidence_weight=weight,
        )  # fmt: skip
    assert equal(tmp_path / "gpu", tmp_path / "cpu") > 1000
    assert set(files(tmp_path / "gpu")) == set(files(tmp_path / "cpu"))
    manifests = [json.loads((tmp_path / k / MANIFEST).read_text()) for k in ("cpu", "gpu")]
    assert manifests[1]["settings"].pop("device") == "gpu"
    assert manifests[0]["settings"] == manifests[1]["settings"]


def test_a_run_goes_on_and_does_not_mix_with_another_device(tmp_path: Path) -> None:
    population, pool, out = small_population(tmp_path / "p.nc"), make(tmp_path), tmp_path / "out"

    def run(kind: str) -> int:
        words = ["score", pool, "--population", population, "--out", out, "--device", kind]
        return main([str(w) for w in [*words, "--tanks-per-file", 3]])

    assert run("gpu") == 0
    first = files(out)
    manifest = json.loads(first[MANIFEST])
    # As if it had been killed before its last part.
    lost = manifest["parts"].pop()
    (out / MANIFEST).write_text(json.dumps({**manifest, "complete": False}))
    (out / lost["file"]).unlink()
    report = score(pool, out, population=population, part_tanks=3, device="gpu")
    assert report.kept == report.parts - 1
    assert files(out) == first
    assert run("cpu") == 2


def test_what_the_device_cannot_do_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pool = make(tmp_path)
    for more in ({"workers": 2}, {"state": tmp_path / "s"}, {"scheduler": "tcp://nowhere:1"}):
        with pytest.raises(ScoringError, match="one process"):
            score(pool, tmp_path / "out", device="gpu", **more)
    with pytest.raises(ScoringError, match="no device"):
        score(pool, tmp_path / "out", device="tpu")
    monkeypatch.delenv("MATURITY_MODEL_JAX_CPU")
    assert main(["score", str(pool), "--out", str(tmp_path / "out"), "--device", "gpu"]) == 2
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0
    assert "no accelerator" in said
    assert not (tmp_path / "out").exists()


def test_very_long_logs_are_left_to_the_kernels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, device: ModuleType
) -> None:
    population, pool = small_population(tmp_path / "p.nc"), make(tmp_path)
    # Some of the tanks are longer, and use fewer draws.
    monkeypatch.setattr(filtering, "FULL_WEEKS", 22)
    score(pool, tmp_path / "cpu", population=population)
    asked = []
    kernels = device.score_tanks

    def seen(book: Logbook, *rest: object) -> object:
        asked.append(len(book.tanks))
        return kernels(book, *rest)

    monkeypatch.setattr(device, "score_tanks", seen)
    report = score(pool, tmp_path / "gpu", population=population, device="gpu")
    assert 0 < sum(asked) < report.tanks
    assert equal(tmp_path / "gpu", tmp_path / "cpu") > 1000


def test_known_keepers_are_left_to_the_kernels(device: ModuleType) -> None:
    book = simulated(3, 4, 20)
    end = last_day(book)
    drawn = elicit_population(CATALOGUE, 0.5, n_draws=64, seed=11)
    rows = [
        (
            t,
            t.keeper,
            [c for c in book.checkins if c.tank == t.name],
            [e for e in book.events if e.tank == t.name],
        )
        for t in list(book.tanks.values())[:2]
    ]
    members = make_members(rows, {}, end - dt.timedelta(days=20), salt=b"0123456789abcdef")
    known = replace(drawn, members=members)
    expected = list(score_tanks(book, known, 0.5, end))
    found = device.score_on_device(book, known, 0.5, end)
    strangers = device.score_on_device(book, drawn, 0.5, end)
    same = 0
    for ours, theirs, other in zip(found, expected, strangers, strict=True):
        assert ours.tank == theirs.tank == other.tank
        np.testing.assert_allclose(ours.values[:, :6], theirs.values[:, :6], rtol=0, atol=1e-9)
        same += bool(np.allclose(ours.values[:, :6], other.values[:, :6], rtol=0, atol=1e-9))
    assert same == 2
