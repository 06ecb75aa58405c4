"""The weekly command loads nothing heavy: seen in a fresh process, not read off the source."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
X86 = platform.machine() == "x86_64"
DEMO = ROOT / "data" / "demo"
#: The pooled path's, the plotting libraries, and what scientific Python likes to pull in.
HEAVY = {
    "pymc", "pytensor", "nutpie", "arviz", "pandas", "xarray", "matplotlib", "scipy", "jax",
    "netCDF4", "h5netcdf", "pyarrow", "sklearn", "hmmlearn",
}  # fmt: skip
#: Once the kernels' machine code is kept, the compiler stays asleep too; where it was laid out,
#: what would link it as well.
COMPILER = {"numba"} | ({"llvmlite"} if platform.system() == "Linux" and X86 else set())
#: Once the population is kept too, so does the reader of its file; and numpy.ma, which
#: np.unique imports, was never needed.
READER = {"h5py", "numpy.ma"}
#: Slow modules of the standard library that nothing on the way needs.
SLOW = {
    "importlib.metadata", "logging", "concurrent.futures", "asyncio", "http.client",
    "urllib.request", "email.message",
}  # fmt: skip

WEEKLY = """
import json, sys
from maturity_model.cli import main
code = main(["weekly", sys.argv[1], "--out", sys.argv[2]])
sys.stderr.write("\\n" + json.dumps({"code": code, "modules": sorted(sys.modules)}))
"""
#: No clash with the caches of whoever runs the tests.
CACHE = "MATURITY_MODEL_CACHE"


def loaded(script: str, *words: object, cache: Path) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        env={**os.environ, CACHE: str(cache)},
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stderr.splitlines()[-1])
    assert found["code"] == 0
    return set(found["modules"])


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("out")


@pytest.fixture(scope="module")
def first_and_second(out: Path, cache: Path) -> tuple[set[str], set[str]]:
    return (
        loaded(WEEKLY, DEMO, out / "first", cache=cache),
        loaded(WEEKLY, DEMO, out / "second", cache=cache),
    )


def test_the_first_run_loads_the_compiler_and_nothing_heavy(
    first_and_second: tuple[set[str], set[str]],
) -> None:
    first, _ = first_and_second
    assert {"numba", "h5py"} <= first  # otherwise this test would not know what a first run is
    assert not first & (HEAVY - {"scipy"})  # numba may look for scipy's BLAS


def test_the_second_run_loads_neither(first_and_second: tuple[set[str], set[str]]) -> None:
    _, second = first_and_second
    assert {"maturity_model.assessment.answers", "maturity_model.report"} <= second
    assert not second & HEAVY
    assert not second & COMPILER
    assert not second & READER


def test_no_slow_part_of_the_standard_library(first_and_second: tuple[set[str], set[str]]) -> None:
    _, second = first_and_second
    assert not second & SLOW


@pytest.mark.usefixtures("first_and_second")
def test_kept_machine_code_gives_the_same_digits(out: Path) -> None:
    for table in ("phase.csv", "regression.csv"):
        assert (out / "first" / table).read_bytes() == (out / "second" / table).read_bytes()


def test_importing_the_package_loads_almost_nothing(cache: Path) -> None:
    script = (
        "import json, sys; before = set(sys.modules); import maturity_model; "
        "sys.stderr.write(json.dumps({'code': 0, 'modules': sorted(set(sys.modules) - before)}))"
    )
    found = loaded(script, cache=cache)
    assert {m for m in found if m.startswith("maturity_model")} == {"maturity_model"}
    assert not found & (HEAVY | COMPILER | {"numpy"})


def test_asking_for_help_loads_no_numbers(cache: Path) -> None:
    script = (
        "import json, sys; from maturity_model.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    code = stop.code\n"
        "sys.stderr.write(json.dumps({'code': code, 'modules': sorted(sys.modules)}))"
    )
    assert not loaded(script, cache=cache) & (HEAVY | COMPILER | {"h5py"})
