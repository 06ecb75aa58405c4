"""Arrows between the layers point down.

They are read off the source (AST), so that no import order can hide a violation. That the
weekly command loads nothing heavy is seen in a fresh process, in :mod:`test_cold_start`.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import pytest

PACKAGE = "maturity_model"
ROOT = Path(__file__).parents[1] / PACKAGE
WORLDS = f"{PACKAGE}.lab.worlds"

_LOG = {"logbook", "catalogue"}
_DRAWS = {"population", "hmm", "panel", *_LOG}
_WEEKLY = {"report", "assessment", *_DRAWS}
#: What each layer may import of the package, besides itself.
BELOW: dict[str, set[str]] = {
    "_typing": set(),
    "file_names": set(),
    "identity": set(),
    "lazy_exports": set(),
    "whole_files": set(),
    "catalogue": set(),
    "logbook": {"catalogue"},
    "panel": _LOG,
    "hmm": set(),
    "population": _DRAWS,
    "assessment": _DRAWS,
    "report": {"assessment", *_DRAWS},
    # Beside the weekly path, and never reached from it.
    "pooling": _LOG,
    "scoring": {"assessment", "pooling", *_DRAWS},
    "fitting": {"pooling", *_WEEKLY},
    # What proves the product: it may use everything, and only the command line reaches it.
    "lab": {"cli", "scoring", "pooling", "fitting", *_WEEKLY},
    # The form and the report for the devices at home.
    "serving": _WEEKLY,
    # Each command is a thin module; those of the laboratory are found by name.
    "cli": {"scoring", "fitting", "pooling", "serving", *_WEEKLY},
    "__main__": {"cli"},
}
#: Everything may import them; they know nothing of the package.
BOTTOM = {"_typing", "file_names", "identity", "lazy_exports", "whole_files"}
#: ``from maturity_model import x`` is for the version; all else has a layer to name.
FREE = {"__version__", *BOTTOM}

#: Conditions under which an import is for types only.
TYPING = {"TYPE_CHECKING", "typing.TYPE_CHECKING"}


class Import(NamedTuple):
    """One imported module, as written in one place."""

    module: str  # importing, dotted
    target: str  # imported, dotted
    line: int
    typing_only: bool


@cache
def modules(root: Path) -> dict[str, Path]:
    """Dotted name of every module under the package folder ``root``."""
    found = {}
    for path in sorted(root.rglob("*.py")):
        parts = [root.name, *path.relative_to(root).with_suffix("").parts]
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def _statements(node: ast.AST, typing: bool) -> Iterator[tuple[ast.stmt, bool]]:
    # Each import, and whether it is for types only.
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import | ast.ImportFrom):
            yield child, typing
        elif isinstance(child, ast.If) and ast.unparse(child.test) in TYPING:
            yield from _statements(ast.Module(child.body, []), True)
            yield from _statements(ast.Module(child.orelse, []), typing)
        else:
            yield from _statements(child, typing)


@cache
def imports(root: Path) -> list[Import]:
    """Every import in the package, with relative ones and ``from package import`` resolved."""
    known = modules(root)
    found = []
    for name, path in known.items():
        package = name if path.name == "__init__.py" else name.rpartition(".")[0]
        for node, typing in _statements(ast.parse(path.read_text("utf-8")), False):
            if isinstance(node, ast.Import):
                targets = [alias.name for alias in node.names]
            else:
                assert isinstance(node, ast.ImportFrom)
                base = node.module or ""
                if node.level:
                    above = package.split(".")[: len(package.split(".")) - node.level + 1]
                    base = ".".join([*above, base] if base else above)
                # The module itself is imported too; a name may be a module under it.
                targets = [f"{base}.{alias.name}" for alias in node.names]
                if base != root.name:
                    targets = [t if t in known else base for t in targets]
            found += [Import(name, t, node.lineno, typing) for t in dict.fromkeys(targets)]
    return found


def layer(dotted: str) -> str | None:
    """Second part of a dotted name; None for the package itself."""
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else None


def arrow_problems(root: Path) -> list[str]:
    """Say each arrow that does not point down."""
    problems = [
        f"{name}: layer {layer(name)!r} has no place in BELOW"
        for name in modules(root)
        if layer(name) is not None and layer(name) not in BELOW
    ]
    for found in imports(root):
        own, other = layer(found.module), layer(found.target)
        if found.target.split(".")[0] != root.name or own is None or own not in BELOW:
            continue  # the package's own __init__ names everything, lazily
        if other in FREE or other == own or other in BELOW[own]:
            continue
        problems.append(f"{found.module}, line {found.line}: {own} may not import {found.target}")
    return problems


Arrows = dict[str, set[str]]


def arrows(root: Path, wanted: Callable[[Import], bool] = lambda _: True) -> Arrows:
    """From each module to those of the package that it imports."""
    known = modules(root)
    found: Arrows = {name: set() for name in known}
    for one in imports(root):
        if one.target in known and one.target != one.module and wanted(one):
            found[one.module].add(one.target)
    return found


def reach(arrows: Arrows, start: Iterable[str]) -> set[str]:
    """The modules that following arrows leads to, and those to begin with."""
    found, waiting = set[str](), sorted(start)
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += arrows[name]
    return found


def circle(root: Path) -> list[str]:
    """Modules that import one another in a circle, for types alone or late too."""
    try:
        TopologicalSorter(arrows(root)).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_arrows_point_down() -> None:
    assert arrow_problems(ROOT) == []


def test_no_modules_import_one_another_in_a_circle() -> None:
    assert circle(ROOT) == []


def test_the_engine_knows_only_numpy_and_its_compiler() -> None:
    other = {
        found.target.split(".")[0] for found in imports(ROOT) if layer(found.module) == "hmm"
    } - set(sys.stdlib_module_names)
    # llvmlite is numba's own compiler, there wherever numba is.
    assert {"numpy", "numba"} <= other <= {PACKAGE, "numpy", "numba", "llvmlite"}


@pytest.mark.parametrize("ecology", ["mechanistic", "microcosm", "mesocosm"])
def test_the_ecologies_know_nothing_of_the_package_or_of_each_other(ecology: str) -> None:
    # So that they can contradict it.
    own = [one for one in imports(ROOT) if one.module.startswith(f"{WORLDS}.{ecology}")]
    assert len(own) > 20
    others = {"numpy", *sys.stdlib_module_names} - {"importlib"}
    for one in own:
        inside = one.target.startswith(f"{WORLDS}.{ecology}")
        assert inside or one.target.split(".")[0] in others, one


def test_only_the_world_that_is_the_model_knows_the_model() -> None:
    model = {"population", "hmm", "panel"}
    worlds = [one for one in imports(ROOT) if one.module.startswith(WORLDS)]
    knows = {one.module for one in worlds if layer(one.target) in model}
    assert knows == {f"{WORLDS}.model", f"{WORLDS}.simulate_logbook"}


def test_the_weekly_command_never_reaches_the_fit_or_the_laboratory() -> None:
    start = {f"{PACKAGE}.cli.weekly", f"{PACKAGE}.report", f"{PACKAGE}.assessment"}
    reached = reach(arrows(ROOT, lambda one: not one.typing_only), start)
    assert not {m for m in reached if layer(m) in {"fitting", "lab", "pooling", "scoring"}}


# The checker itself ---------------------------------------------------------------------


def plant(tmp_path: Path, files: dict[str, str]) -> Path:
    """Write a package of good arrows, and these files."""
    good = {
        "__init__.py": "__version__ = '1'",
        "fitting/fit.py": "import pymc\nfrom maturity_model.hmm import a\nfrom . import b",
        "cli.py": "from maturity_model import __version__\ndef f():\n    from .fitting import fit",
        "logbook/read.py": "from ..catalogue import signs\nimport json",
    }
    for name, text in (good | files).items():
        path = tmp_path / PACKAGE / name
        path.parent.mkdir(parents=True, exist_ok=True)
        (path.parent / "__init__.py").touch()
        path.write_text(text + "\n")
    return tmp_path / PACKAGE


def test_the_checker_lets_good_arrows_pass(tmp_path: Path) -> None:
    root = plant(tmp_path, {})
    assert arrow_problems(root) == circle(root) == []


@pytest.mark.parametrize(
    ("file", "text", "expected"),
    [
        ("catalogue/a.py", "import maturity_model.report", "catalogue may not import"),
        ("catalogue/a.py", "from .. import panel", "catalogue may not import"),
        ("hmm/a.py", "from maturity_model import load_catalogue", "hmm may not import"),
        ("logbook/a.py", "def f():\n    import maturity_model.panel", "line 2: logbook may not"),
        (
            "logbook/a.py",
            "import typing\nif typing.TYPE_CHECKING:\n    from maturity_model.hmm import x",
            "line 3: logbook may not import",
        ),
        ("elsewhere.py", "", "layer 'elsewhere' has no place"),
    ],
)
def test_the_checker_sees_a_bad_arrow(tmp_path: Path, file: str, text: str, expected: str) -> None:
    (problem,) = arrow_problems(plant(tmp_path, {file: text}))
    assert expected in problem


def test_the_checker_sees_a_circle_through_types_and_late_imports(tmp_path: Path) -> None:
    files = {
        "hmm/a.py": "from .b import x",
        "hmm/b.py": "def f():\n    from .c import x",
        "hmm/c.py": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from .a import x",
        "hmm/d.py": "from .a import x",
    }
    assert set(circle(plant(tmp_path, files))) == {f"{PACKAGE}.hmm.{name}" for name in "abc"}
