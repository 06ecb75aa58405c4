"""A fit where the usual sampler is not installed, in a separate process."""

from __future__ import annotations

from pathlib import Path

import pytest
from fitting.fit_process import PATIENCE, start
from fuzz.kills import make_log

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from maturity_model.population import load_population

pytestmark = [pytest.mark.fit, pytest.mark.slow]


def test_without_nutpie_pymc_s_own_sampler_draws(tmp_path: Path) -> None:
    log, out = tmp_path / "log", tmp_path / "club.nc"
    make_log(log, 2, 16)
    few = ("--draws", "50", "--tune", "50", "--chains", "2", "--seed", "7")
    process = start(log, out, *few, before="sys.modules['nutpie'] = None")
    _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 5, said
    assert "2 chains with pymc" in said
    assert "too few effective draws" in said
    found = load_population(out)
    assert found.provenance["sampler"] == "pymc"
    assert found.provenance["diagnostics"].startswith("failed: ")
    assert "version_nutpie" not in found.provenance
