"""The weekly command loads nothing heavy: seen in a fresh process, not read off the source."""

from __future__ import annotations

from pathlib import Path

from first_runs import DEMO, SAY, WEEKLY, FirstRuns, modules, start

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


def test_the_weekly_command_loads_nothing_heavy_and_compiles_once(
    all_first_runs: FirstRuns, tmp_path: Path
) -> None:
    first = all_first_runs.modules
    assert "numba" in first  # otherwise this test would not know what a first run is
    assert not first & (HEAVY - {"scipy"})  # numba may look for scipy's BLAS
    second = loaded(WEEKLY, DEMO, tmp_path / "second", cache=all_first_runs.cache)
    assert {"maturity_model.assessment.answers", "maturity_model.report"} <= second
    assert not second & (HEAVY | COMPILER | SLOW)
    # Cached machine code gives the same digits.
    for table in ("phase.csv", "regression.csv"):
        again = (tmp_path / "second" / table).read_bytes()
        assert again == (all_first_runs.report / table).read_bytes()


def test_importing_the_package_loads_almost_nothing(all_first_runs: FirstRuns) -> None:
    script = f"import maturity_model, maturity_model.hmm\ncode = 0\n{SAY}"
    found = loaded(script, cache=all_first_runs.cache)
    own = {m for m in found if m.startswith("maturity_model")}
    assert own == {"maturity_model", "maturity_model.hmm", "maturity_model.lazy_exports"}
    assert not found & (HEAVY | COMPILER | {"numpy"})


def test_asking_for_help_loads_no_numbers(all_first_runs: FirstRuns) -> None:
    script = (
        "from maturity_model.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    code = stop.code\n"
    )
    found = loaded(script + SAY, cache=all_first_runs.cache)
    assert not found & (HEAVY | COMPILER | {"h5py"})
