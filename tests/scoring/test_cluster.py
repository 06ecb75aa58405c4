"""Scores from a real Dask cluster of processes, of which one is killed halfway."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from scoring.scored import files, make, small_population

from maturity_model.cli import main
from maturity_model.scoring import ScoringError, score
from maturity_model.scoring.parts import JOURNAL

pytestmark = [
    pytest.mark.reference,
    # What Dask and its event loop deprecate or leave open is not ours to mend.
    pytest.mark.filterwarnings("ignore"),
]


@pytest.fixture
def cluster(need: Callable[[str], ModuleType]) -> Any:
    need("pyarrow")
    distributed = need("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as made:
        yield made


def pids(cluster: Any) -> list[int]:
    from distributed import Client

    with Client(cluster, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


def test_a_worker_is_killed_halfway(cluster: Any, tmp_path: Path) -> None:
    source = make(tmp_path)
    population = small_population(tmp_path / "p.nc", draws=400)
    score(source, tmp_path / "here", population=population, part_tanks=1)
    out = tmp_path / "there"
    first = pids(cluster)
    assert len(first) == 2
    at_kill: list[int] = []

    def finished() -> int:
        # The journal is there before its first line is.
        return (out / JOURNAL).read_text().count("\n") if (out / JOURNAL).exists() else 0

    def kill() -> None:
        until = time.monotonic() + 120
        while time.monotonic() < until and not finished():
            time.sleep(0.002)
        os.kill(first[0], signal.SIGKILL)
        at_kill.append(finished())

    killer = threading.Thread(target=kill)
    killer.start()
    report = score(
        source, out, population=population, part_tanks=1, scheduler=cluster.scheduler_address
    )
    killer.join()
    assert 0 < at_kill[0] < 8  # Halfway.
    assert (report.parts, report.kept) == (8, 0)
    assert files(out) == files(tmp_path / "here")


def test_a_cluster_goes_on_where_this_machine_stopped(cluster: Any, tmp_path: Path) -> None:
    source = make(tmp_path)
    population = small_population(tmp_path / "p.nc")
    out, state = tmp_path / "scores", tmp_path / "state"
    score(source, out, population=population, part_tanks=2, state=state)
    whole = files(out)
    for name in ("part-000000.parquet", "part-000002.parquet"):
        (out / name).unlink()
    words = ["score", str(source), "--out", str(out), "--population", str(population)]
    words += ["--tanks-per-file", "2", "--scheduler", cluster.scheduler_address]
    assert main([*words, "--state", str(state)]) == 0
    assert files(out) == whole


def test_what_a_worker_finds_wrong_is_told(
    cluster: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Tanks of a pool change after it was checked, so that no worker can read them.
    from maturity_model.scoring import run

    source = make(tmp_path)
    checked = run.open_job

    def harmed(job: Any) -> Any:
        found = checked(job)
        (source / "readings.parquet").write_bytes(b"PAR1")
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "open_job", harmed)
        words = ["score", str(source), "--out", str(tmp_path / "scores")]
        assert main([*words, "--scheduler", cluster.scheduler_address]) == 4
    assert "readings cannot be read" in capsys.readouterr().err


def test_no_scheduler(need: Callable[[str], ModuleType], tmp_path: Path) -> None:
    need("distributed")
    source = make(tmp_path, (1,))
    with pytest.raises(ScoringError, match="no Dask scheduler answers"):
        score(source, tmp_path / "scores", scheduler="no-such-scheme://x:1")
