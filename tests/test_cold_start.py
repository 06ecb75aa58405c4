"""The weekly command loads nothing heavy: seen in a fresh process, not read off the source."""

from __future__ import annotations

from pathlib import Path

import pytest
from first_runs import DEMO, WEEKLY, FirstRuns, modules, start

#: The pooled path's, the plotting libraries, and what scientific Python likes to pull in.
HEAVY = {
    "pymc", "pytensor", "nutpie", "arviz", "pandas", "xarray", "matplotlib", "scipy", "jax",
    "netCDF4", "h5netcdf", "pyarrow", "sklearn", "hmmlearn", "filelock",
}  # fmt: skip
#: Not loaded either once the kernels' machine code is cached.
COMPILER = {"numba"}
#: Slow modules of the standard library that nothing on the way needs.
SLOW = {
    "importlib.metadata", "asyncio", "http.client", "urllib.request", "email.message",
}  # fmt: skip


def loaded(script: str, *words: object, cache: Path) -> set[str]:
    return modules(start(cache, script, *words))


@pytest.fixture(scope="module")
def cache(all_first_runs: FirstRuns) -> Path:
    return all_first_runs.cache


@pytest.fixture(scope="module")
def second_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("out") / "second"


@pytest.fixture(scope="module")
def first_and_second(all_first_runs: FirstRuns, second_report: Path) -> tuple[set[str], set[str]]:
    again = loaded(WEEKLY, DEMO, second_report, cache=all_first_runs.cache)
    return all_first_runs.modules, again


def test_the_first_run_loads_the_compiler_and_nothing_heavy(
    first_and_second: tuple[set[str], set[str]],
) -> None:
    first, _ = first_and_second
    assert "numba" in first  # otherwise this test would not know what a first run is
    assert not first & (HEAVY - {"scipy"})  # numba may look for scipy's BLAS


def test_the_second_run_needs_no_compiler(first_and_second: tuple[set[str], set[str]]) -> None:
    _, second = first_and_second
    assert {"maturity_model.assessment.answers", "maturity_model.report"} <= second
    assert not second & HEAVY
    assert not second & COMPILER


def test_no_slow_part_of_the_standard_library(first_and_second: tuple[set[str], set[str]]) -> None:
    _, second = first_and_second
    assert not second & SLOW


@pytest.mark.usefixtures("first_and_second")
def test_cached_machine_code_gives_the_same_digits(
    all_first_runs: FirstRuns, second_report: Path
) -> None:
    for table in ("phase.csv", "regression.csv"):
        assert (all_first_runs.report / table).read_bytes() == (second_report / table).read_bytes()


def test_importing_the_package_loads_almost_nothing(cache: Path) -> None:
    script = (
        "import json, sys; before = set(sys.modules); import maturity_model, maturity_model.hmm; "
        "sys.stderr.write(json.dumps({'code': 0, 'modules': sorted(set(sys.modules) - before)}))"
    )
    found = loaded(script, cache=cache)
    own = {m for m in found if m.startswith("maturity_model")}
    assert own == {"maturity_model", "maturity_model.hmm", "maturity_model.lazy_exports"}
    assert not found & (HEAVY | COMPILER | {"numpy"})


def test_asking_for_help_loads_no_numbers(cache: Path) -> None:
    script = (
        "import json, sys; from maturity_model.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    code = stop.code\n"
        "sys.stderr.write(json.dumps({'code': code, 'modules': sorted(sys.modules)}))"
    )
    assert not loaded(script, cache=cache) & (HEAVY | COMPILER | {"h5py"})
