"""A fit stopped by its keeper, or without its usual sampler, in processes of their own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from maturity_model.population import load_population
from maturity_model.population.types import DIMS

pytestmark = [pytest.mark.fit, pytest.mark.slow]

SMALL = ("--draws", "60", "--tune", "150", "--chains", "2", "--cores", "1", "--seed", "7")
#: Seconds after which a fit as small as these has gone wrong.
PATIENCE = 900


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


def start(log: Path, out: Path, before: str = "", *more: str) -> subprocess.Popen[str]:
    code = (
        f"import sys\n{before}\nfrom maturity_model.cli import main\nsys.exit(main(sys.argv[1:]))"
    )
    words = [sys.executable, "-c", code, "fit", str(log), "--out", str(out), *(more or SMALL)]
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
    return subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip


def test_an_interrupted_fit_goes_on_where_it_stopped(log: Path, tmp_path: Path) -> None:
    pytest.importorskip("nutpie")
    out = tmp_path / "club.nc"
    process = start(log, out)
    chains, began = tmp_path / "club.nc.chains", time.monotonic()
    while not list(chains.glob("*chain0.nc")) and time.monotonic() - began < PATIENCE:
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130, said
    assert "interrupted" in said
    assert not out.exists()
    assert [p.name.rpartition("-")[2] for p in chains.glob("[!.]*.nc")] == ["chain0.nc"]
    again = start(log, out)
    _, said = again.communicate(timeout=PATIENCE)
    # Sixty draws fail the gates, and that is another matter.
    assert again.returncode == 5, said
    assert "1 of 2 chains were drawn before" in said
    whole = start(log, tmp_path / "whole.nc")
    _, said = whole.communicate(timeout=PATIENCE)
    assert whole.returncode == 5, said
    one, other = load_population(out), load_population(tmp_path / "whole.nc")
    for name in DIMS:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


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
    process = start(log, out, block, *few)
    _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 5, said
    assert "2 chains with pymc" in said
    assert "too few effective draws" in said
    found = load_population(out)
    assert found.provenance["sampler"] == "pymc"
    assert found.provenance["diagnostics"].startswith("failed: ")
    assert "version_nutpie" not in found.provenance
