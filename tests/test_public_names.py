"""The public names, each imported on first use and printed as one line; the version."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

import maturity_model
from maturity_model import assess, build_panel, load_population, read_logbook

ROOT = Path(__file__).parents[1]
#: Packages whose names are imported lazily.
LAZY = ("maturity_model", "maturity_model.hmm", "maturity_model.fitting")
#: Names that need the extra ``fit``.
FIT_ONLY = {"build_model", "fit"}


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
def test_every_name_is_there_and_typed_and_no_module(name: str) -> None:
    package = importlib.import_module(name)
    assert typed_imports(package) == package._MODULES
    assert set(package.__all__) - {"__version__"} == set(package._MODULES)
    assert dir(package) == sorted(package._MODULES)
    for public in set(package.__all__) - FIT_ONLY:
        assert getattr(package, public) is not None
    with pytest.raises(AttributeError, match="has no attribute 'phases_of_the_moon'"):
        _ = package.phases_of_the_moon
    # Importing a module of that name would replace the function by the module.
    (folder,) = package.__path__
    assert not {p.stem for p in Path(folder).iterdir()} & set(package._MODULES)


@pytest.mark.fit
@pytest.mark.parametrize("name", ["maturity_model", "maturity_model.fitting"])
@pytest.mark.parametrize("public", sorted(FIT_ONLY))
def test_the_names_of_the_fit_are_functions(name: str, public: str) -> None:
    assert callable(getattr(importlib.import_module(name), public))


def test_each_result_prints_as_one_line_whatever_its_name() -> None:
    nasty = "\x1b[2J\U000e0001" * 400
    logbook = read_logbook(ROOT / "data" / "demo")
    panel, population = build_panel(logbook), load_population()
    assessment = assess(panel, population, questions=False)
    tank = assessment.tanks[1]
    likeliest = assessment.phases[int(tank.filtered[-1].argmax())]
    provenance = replace(assessment.provenance, population_name=nasty)
    wanted: list[tuple[object, object, list[str]]] = [
        (logbook, replace(logbook, path=Path(nasty)), ["Logbook", "demo", "6 tanks", "check-ins"]),
        (panel, panel, ["Panel", "6 tanks", f"{panel.first[-1]} tank-weeks"]),
        (population, replace(population, name=nasty), ["Population", "practice", "256 draws"]),
        (
            assessment,
            replace(assessment, provenance=provenance),
            ["Assessment", "6 tanks", "practice", "256 draws"],
        ),
        (
            tank,
            replace(tank, tank=replace(tank.tank, name=nasty)),
            ["TankAssessment", tank.tank.name, f"week {tank.weeks[-1]}", likeliest],
        ),
    ]
    for result, badly_named, parts in wanted:
        assert all(part in repr(result) for part in parts)
        for line in (repr(result), repr(badly_named)):
            assert len(line) < 200
            assert line.isprintable()


def test_the_package_is_the_one_under_test() -> None:
    assert Path(str(maturity_model.__file__)).parents[1] == ROOT


def test_the_example_of_lazy_exports_runs() -> None:
    found = doctest.testmod(importlib.import_module("maturity_model.lazy_exports"))
    assert found.attempted
    assert not found.failed


def test_the_version_is_the_same_in_every_file_that_names_it() -> None:
    citation = (ROOT / "CITATION.cff").read_text("utf-8")
    assert re.findall(r"^version: (.+)$", citation, re.MULTILINE) == [maturity_model.__version__]
    changes = (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert re.findall(r"^## (\S+)", changes, re.MULTILINE)[0] == maturity_model.__version__
