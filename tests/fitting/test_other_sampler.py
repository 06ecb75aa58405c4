"""A fit where the usual sampler is not installed, in a separate process."""

from __future__ import annotations

from pathlib import Path

import pytest
from fitting.fit_process import PATIENCE, start

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from maturity_model.population import load_population

pytestmark = [pytest.mark.fit, pytest.mark.slow]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("log")
    (folder / "tanks.csv").write_text(
        "tank,keeper,started,rock\nA,ann,2025-01-06,dry\nB,bob,2025-02-03,live\n"
    )
    rows = [
        f"{tank},2025-{3 + t // 4:02d}-{1 + 7 * (t % 4):02d},{'yn'[t // 8]},{'ny'[t // 8]}"
        for t in range(16)
        for tank in "AB"
    ]
    (folder / "checkins.csv").write_text(
        "tank,date,diatoms,coralline_algae\n" + "\n".join(rows) + "\n"
    )
    return folder


def test_without_nutpie_pymc_s_own_sampler_draws(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "club.nc"
    block = (
        "import importlib.abc\n"
        "class No(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.partition('.')[0] == 'nutpie':\n"
        "            raise ModuleNotFoundError(name)\n"
        "import importlib.util\n"
        "found = importlib.util.find_spec\n"
        "importlib.util.find_spec = lambda n, *a: None if n == 'nutpie' else found(n, *a)\n"
        "sys.meta_path.insert(0, No())\n"
    )
    few = ("--draws", "50", "--tune", "50", "--chains", "2", "--seed", "7")
    process = start(log, out, *few, before=block)
    _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 5, said
    assert "2 chains with pymc" in said
    assert "too few effective draws" in said
    found = load_population(out)
    assert found.provenance["sampler"] == "pymc"
    assert found.provenance["diagnostics"].startswith("failed: ")
    assert "version_nutpie" not in found.provenance
