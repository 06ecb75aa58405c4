"""Studies that refit, very small."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("nutpie", reason="the extra 'fit' is not installed")

from maturity_model.cli import main
from maturity_model.lab.studies import (
    agreement,
    pooling,
    pooling_fits,
    pooling_scores,
    pooling_weight,
)
from maturity_model.lab.studies.pooling_scores import ALL, AS_USED, KEY, PRACTICE_MOVES
from maturity_model.lab.studies.refit import Refitter
from maturity_model.lab.studies.settings import Agreement

pytestmark = pytest.mark.fit


@pytest.mark.slow
def test_a_tiny_agreement(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    setting = Agreement(tanks=2, pool=5, weeks=12, draws=150, seed=4)
    rows = agreement.run(setting, tmp_path / "work")
    assert rows["weeks"].tolist() == [6, 12]
    for how in ("weekly", "refit"):
        np.testing.assert_allclose(rows.filter(like=f"{how}_").sum(axis=1), 1)
    # Short chains: the limits of the study are for longer ones.
    assert (rows["distance"] < 0.15).all()
    agreement.page(rows, setting).write(tmp_path / "out")
    assert len(agreement.read(tmp_path / "out")) == 2
    monkeypatch.setattr(Refitter, "fit", None)
    pd.testing.assert_frame_equal(agreement.run(setting, tmp_path / "work"), rows)


@pytest.mark.usefixtures("prior_fits")
def test_a_tiny_study_goes_on_where_it_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(pooling_weight, "SHIFTS", ((0.0, 0.0), (1.5, 0.8)))
    monkeypatch.setattr(pooling_weight, "TANKS", 4)
    monkeypatch.setattr(pooling_scores, "WAYS", pooling_fits.WAYS[:2])
    sizes = "--clubs 1 --pool 6 --tanks 3 --weeks 15 --draws 20 --tune 50 --weight-clubs 2"
    args = ["study", "pooling", "--work", str(tmp_path / "work"), *sizes.split()]
    assert main([*args, "--out", str(tmp_path / "a")]) == 0
    assert "worse than practice" in capsys.readouterr().out
    monkeypatch.setattr(Refitter, "fit", None)
    assert main([*args, "--out", str(tmp_path / "b")]) == 0
    for name in ("scores.csv", "differences.csv", "weights.csv", "README.md"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    scores = pooling.read(tmp_path / "a").scores
    assert set(scores[KEY].itertuples(index=False, name=None)) == {
        ("practice", False, ALL),
        *(("whole", j, t) for j in (False, True) for t in (ALL, PRACTICE_MOVES, AS_USED)),
    }
