"""The public names: each is there, is imported on first use, and prints as one line."""

from __future__ import annotations

import ast
import doctest
import importlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

import maturity_model
from maturity_model import (
    assess,
    build_panel,
    elicit_population,
    load_catalogue,
    load_population,
    read_logbook,
)

ROOT = Path(__file__).parents[1]
#: Packages whose names are imported lazily.
LAZY = ("maturity_model", "maturity_model.hmm", "maturity_model.fitting")
#: Names that need the extra ``fit``.
FIT_ONLY = {"build_model", "fit"}


def lazy_package(name: str) -> ModuleType:
    return importlib.import_module(name)


def typed_imports(package: ModuleType) -> dict[str, str]:
    """Name to module of the imports under ``if TYPE_CHECKING``."""
    assert package.__file__ is not None
    out = {}
    for node in ast.parse(Path(package.__file__).read_text("utf-8")).body:
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            for line in node.body:
                assert isinstance(line, ast.ImportFrom)
                out |= {alias.name: str(line.module) for alias in line.names}
    return out


@pytest.mark.parametrize("name", LAZY)
def test_lazy_names_and_typed_imports_agree(name: str) -> None:
    package = lazy_package(name)
    assert typed_imports(package) == package._MODULES
    assert set(package.__all__) - {"__version__"} == set(package._MODULES)
    assert dir(package) == sorted(package._MODULES)


@pytest.mark.parametrize("name", LAZY)
def test_every_name_is_there(name: str) -> None:
    package = lazy_package(name)
    for public in package.__all__:
        if public not in FIT_ONLY:
            assert getattr(package, public) is not None


@pytest.mark.fit
@pytest.mark.parametrize("name", ["maturity_model", "maturity_model.fitting"])
@pytest.mark.parametrize("public", sorted(FIT_ONLY))
def test_the_names_of_the_fit_are_functions(name: str, public: str) -> None:
    assert callable(getattr(lazy_package(name), public))


@pytest.mark.parametrize("name", LAZY)
def test_an_unknown_name_is_an_attribute_error(name: str) -> None:
    with pytest.raises(AttributeError, match="has no attribute 'phases_of_the_moon'"):
        _ = lazy_package(name).phases_of_the_moon


@pytest.mark.parametrize("name", LAZY)
def test_no_public_name_is_also_a_module(name: str) -> None:
    # Importing that module would replace the function by the module, without a word.
    package = lazy_package(name)
    (folder,) = package.__path__
    below = {p.stem for p in Path(folder).glob("*.py")} | {p.name for p in Path(folder).iterdir()}
    assert not below & set(package._MODULES)


def test_population_has_no_fit() -> None:
    with pytest.raises(ImportError):
        from maturity_model.population import fit  # type: ignore[attr-defined]  # noqa: F401


def test_importing_a_name_loads_only_what_it_needs() -> None:
    code = (
        "import sys; from maturity_model import Logbook, load_catalogue; "
        "print(sorted(m for m in sys.modules if m in {'numpy', 'numba', 'h5py', 'pymc'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "[]"


def test_each_result_prints_as_one_line() -> None:
    logbook = read_logbook(ROOT / "data" / "demo")
    panel, population = build_panel(logbook), load_population()
    assessment = assess(panel, population, questions=False)
    tank = assessment.tanks[1]
    likeliest = assessment.phases[int(tank.filtered[-1].argmax())]
    wanted = [
        (logbook, ("Logbook", "demo", "6 tanks", f"{len(logbook.checkins)} check-ins")),
        (panel, ("Panel", "6 tanks", f"{panel.first[-1]} tank-weeks")),
        (population, ("Population", "practice", "256 draws")),
        (assessment, ("Assessment", "6 tanks", "practice", "256 draws")),
        (tank, ("TankAssessment", tank.tank.name, f"week {tank.weeks[-1]}", likeliest)),
    ]
    for result, parts in wanted:
        line = repr(result)
        assert len(line) < 200
        assert line.isprintable()
        for part in parts:
            assert part in line


def test_a_name_cannot_break_the_line() -> None:
    nasty = "\x1b[2J\U000e0001" * 400
    population = elicit_population(load_catalogue(), 0.4, n_draws=8)
    logbook = read_logbook(ROOT / "data" / "demo")
    assessment = assess(build_panel(logbook), population, questions=False)
    tank = assessment.tanks[0]
    named = [
        replace(population, name=nasty),
        replace(logbook, path=Path(nasty)),
        replace(tank, tank=replace(tank.tank, name=nasty)),
        replace(assessment, provenance=replace(assessment.provenance, population_name=nasty)),
    ]
    for result in named:
        assert len(repr(result)) < 200
        assert repr(result).isprintable()


def test_the_package_is_the_one_under_test() -> None:
    assert Path(str(maturity_model.__file__)).parents[1] == ROOT


def test_the_example_of_lazy_exports_runs() -> None:
    found = doctest.testmod(importlib.import_module("maturity_model.lazy_exports"))
    assert found.attempted
    assert not found.failed
