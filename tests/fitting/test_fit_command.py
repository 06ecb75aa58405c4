"""The command ``fit`` from a logbook to files: one fit, looked at from all sides.

Of what such small fits take, nearly all is compiling the model.
"""

from __future__ import annotations

import io
import signal
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from fitting.fit_process import PATIENCE, start
from population.edited_files import documents as documents_in

xr = pytest.importorskip("xarray", reason="the extra 'fit' is not installed")
pytest.importorskip("pymc")

from maturity_model.cli import main
from maturity_model.fitting.command import DIAGNOSTICS, idata_path
from maturity_model.population import load_population
from maturity_model.population.types import DIMS

pytestmark = [pytest.mark.fit, pytest.mark.slow]

DEMO = Path(__file__).parents[2] / "data" / "demo"
#: Too few draws on purpose: the gates must fail, and everything is there all the same.
FEW = ["--draws", "60", "--tune", "200", "--chains", "2", "--evidence-weight", "0.5"]


class Made(NamedTuple):
    """What the command left, and what it said."""

    code: int
    out: Path
    report: Path
    stdout: str
    stderr: str


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("fit")
    out, report = folder / "club.nc", folder / "report"
    with pytest.MonkeyPatch.context() as patch:
        said, complained = io.StringIO(), io.StringIO()
        patch.setattr("sys.stdout", said)
        patch.setattr("sys.stderr", complained)
        code = main(["fit", str(DEMO), "--out", str(out), "--report", str(report), *FEW])
    return Made(code, out, report, said.getvalue(), complained.getvalue())


def test_failed_gates_are_said_and_stay_in_the_file(
    made: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert made.code == DIAGNOSTICS == 5
    assert "too few effective draws" in made.stderr
    used = load_population(made.out)
    assert used.provenance["diagnostics"].startswith("failed: ")
    # A weight that was given is kept; moves and readings are practice's, as nothing was judged.
    assert used.evidence_weight == 0.5
    assert (used.provenance["moves"], used.provenance["readings"]) == ("practice", "practice")
    with xr.open_datatree(idata_path(made.out), engine="h5netcdf") as tree:
        assert set(tree.children) == {"posterior", "sample_stats", "log_likelihood"}
    assert "leaving one tank out: ELPD" in made.stdout
    assert str(made.report / "index.html") in made.stdout
    assert (made.report / "index.html").is_file()
    assert used.warning.startswith("failed: ")
    assert {"version_python", "logbook_sha256", "catalogue_sha256"} <= set(used.provenance)
    assert set(documents_in(made.out)) == {"catalogue", "priors"}
    words = ["weekly", str(DEMO), "--population", str(made.out), "--out", str(tmp_path / "w")]
    assert main(words) == 0
    assert "must not be trusted" in capsys.readouterr().out
    page = (tmp_path / "w" / "Breakwater-200.html").read_text("utf-8")
    assert "pooled fit that failed its checks" in page
    assert "must not be trusted" in page


def test_an_interrupted_fit_goes_on_where_it_stopped(made: Made, tmp_path: Path) -> None:
    pytest.importorskip("nutpie")
    out = tmp_path / "club.nc"
    process = start(DEMO, out, *FEW, "--cores", "1")
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
    again = start(DEMO, out, *FEW, "--cores", "1")
    _, said = again.communicate(timeout=PATIENCE)
    assert again.returncode == DIAGNOSTICS, said
    assert "1 of 2 chains were drawn before" in said
    # As the fit that nobody stopped, which drew both chains in one process, at the same time.
    one, other = load_population(out), load_population(made.out)
    for name in DIMS:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
