"""What a scored case leaves behind, saved whole as soon as it is there."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.lab.validation.maturing import Outcomes
from maturity_model.lab.validation.slips import Noticed
from maturity_model.lab.validation.sums import Sums
from maturity_model.population.types import DIMS, Population
from maturity_model.whole_files import new_file

#: Packages whose code decides what is stated or how it is scored.
SCORED_BY = (
    "catalogue", "logbook", "panel.py", "hmm", "population", "fitting", "assessment", "lab/worlds",
    "lab/validation",
)  # fmt: skip
#: Modules of this package that only show what was found.
ONLY_SHOW = {
    "holds.py", "pages.py", "figures.py", "csv_tables.py", "words.py", "doubts.py", "cases.py",
}  # fmt: skip
#: A saved case is never larger.
MAX_BYTES = 256 * 2**20


@dataclass
class CaseResult:
    """Scores of one case, by tank.

    Attributes
    ----------
    club : int ndarray, shape (N,)
        Club of each tank.
    sums : dict of str to Sums
        By judge: the program's forecasters, the baselines, the ceiling.
    matured, matured_quiet : dict of str to Outcomes
        By forecaster: every tank to the end of its log; or to its next recorded event.
    noticed : dict of (str, str) to Noticed
        By forecaster and way of noticing.
    risk : dict of (str, int) to ndarray, shape (N, 5, parts)
        By forecaster and horizon, in weeks whose next ones hold no recorded event: number,
        stated and observed by part of the range, then squared error of the program and of
        age alone (in the first part).
    diagnosis : list of dict
        Rows of :mod:`.diagnosis`.
    notes : dict of str to str
    """

    club: Ints
    sums: dict[str, Sums] = field(default_factory=dict)
    matured: dict[str, Outcomes] = field(default_factory=dict)
    matured_quiet: dict[str, Outcomes] = field(default_factory=dict)
    noticed: dict[tuple[str, str], Noticed] = field(default_factory=dict)
    risk: dict[tuple[str, int], Floats] = field(default_factory=dict)
    diagnosis: list[dict[str, Any]] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)


_TUPLES: dict[str, Callable[..., Any]] = {
    "sums": Sums, "matured": Outcomes, "matured_quiet": Outcomes, "noticed": Noticed,
}  # fmt: skip


def _key(key: Any) -> str:
    return json.dumps(list(key) if isinstance(key, tuple) else key)


def _unkey(text: str) -> Any:
    found = json.loads(text)
    return tuple(found) if isinstance(found, list) else found


def save(result: CaseResult, path: Path) -> None:
    """Write a case; a reader sees all of it or nothing.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    arrays: dict[str, Any] = {"club": result.club}
    index: dict[str, Any] = {"diagnosis": result.diagnosis, "notes": result.notes, "arrays": {}}
    for name in (*_TUPLES, "risk"):
        for i, (key, value) in enumerate(getattr(result, name).items()):
            place = f"{name}{i:03d}"
            index["arrays"][place] = [name, _key(key)]
            if name == "risk":
                arrays[place] = value
            else:
                arrays |= {f"{place}.{f}": getattr(value, f) for f in value._fields}
    arrays["index"] = np.frombuffer(json.dumps(index).encode(), dtype=np.uint8)
    with new_file(path) as part, part.open("wb") as file:
        np.savez_compressed(file, **arrays)


def load(path: Path) -> CaseResult | None:
    """Read a case; None where there is none, or not a whole one."""
    import zipfile

    try:
        if path.stat().st_size > MAX_BYTES:
            return None
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
            index = json.loads(file["index"].tobytes())
            result = CaseResult(file["club"], diagnosis=index["diagnosis"], notes=index["notes"])
            for place, (name, key) in index["arrays"].items():
                if name == "risk":
                    value: Any = file[place]
                else:
                    kind: Any = _TUPLES[name]
                    value = kind(*(file[f"{place}.{f}"] for f in kind._fields))
                getattr(result, name)[_unkey(key)] = value
            return result
    except (OSError, EOFError, KeyError, ValueError, TypeError, zipfile.BadZipFile):
        return None


def code_digest() -> str:
    """Digest of the code that decides what is stated and how it is scored."""
    root = Path(__file__).parents[2]
    found = hashlib.sha256()
    for path in sorted([*root.rglob("*.py"), *root.rglob("*.csv")]):
        inside = path.relative_to(root).as_posix()
        if not inside.startswith(SCORED_BY):
            continue
        if inside.startswith("lab/validation") and path.name in ONLY_SHOW:
            continue
        found.update(inside.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def population_digest(population: Population) -> str:
    """Digest of everything a population states."""
    found = hashlib.sha256(
        repr((population.phases, population.signs, population.analytes, population.events)).encode()
    )
    found.update(repr((population.evidence_weight, population.n_stages)).encode())
    for name in DIMS:
        found.update(np.ascontiguousarray(getattr(population, name)).tobytes())
    return found.hexdigest()


def key_of(parts: Sequence[object]) -> str:
    """Short digest of everything that a result depends on."""
    return hashlib.sha256(repr((*parts, code_digest())).encode()).hexdigest()[:16]
