"""The tables of a scored case, saved whole as soon as they are there."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.lab.tasks import load_frames, save_frames
from maturity_model.population.types import DIMS, Population

#: Code that decides what is forecast and how it is scored.
SCORED_BY = (
    "catalogue", "logbook", "panel", "hmm", "population", "fitting", "assessment", "lab/worlds",
    "lab/validation", "lab/studies/scores.py",
)  # fmt: skip
#: Modules of this package that come after, or have nothing to do with it.
NOT_SCORING = {
    "acceptance.py", "cases.py", "figures.py", "page.py", "report_files.py", "tables.py",
}  # fmt: skip
TABLES = ("forecasts", "times", "alarms", "risk", "diagnosis", "permissions")


@dataclass(frozen=True)
class CaseResult:
    """Scores of one case.

    ``forecasts`` of the phase, by every forecaster (:mod:`.scores`); ``times``, forecasts of the
    time to mature, by ``forecaster`` and ``until`` (:func:`.time_to_mature.verify_times`);
    ``alarms`` and ``risk``, by ``forecaster`` (:mod:`.slips`); ``diagnosis``, if it was asked for;
    ``permissions`` (:func:`.permissions.permission_weeks`). ``note`` is by forecaster, ``ceiling``
    or ``evidence_weight``.
    """

    forecasts: pd.DataFrame = field(default_factory=pd.DataFrame)
    times: pd.DataFrame = field(default_factory=pd.DataFrame)
    alarms: pd.DataFrame = field(default_factory=pd.DataFrame)
    risk: pd.DataFrame = field(default_factory=pd.DataFrame)
    diagnosis: pd.DataFrame = field(default_factory=pd.DataFrame)
    permissions: pd.DataFrame = field(default_factory=pd.DataFrame)
    note: dict[str, str] = field(default_factory=dict)


def concatenate(results: Sequence[CaseResult]) -> CaseResult:
    """Join the tables of several forecasters of one case."""
    tables = {}
    for name in TABLES:
        # pandas warns of parts without rows.
        parts = [part for r in results if len(part := getattr(r, name))]
        tables[name] = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return CaseResult(**tables, note={k: text for r in results for k, text in r.note.items()})


def save(result: CaseResult, path: Path) -> None:
    """Write a case; a reader sees all of it or nothing."""
    tables = {name: getattr(result, name) for name in TABLES}
    save_frames(path, tables | {"note": pd.DataFrame([result.note])})


def load(path: Path) -> CaseResult | None:
    """Read a case; None where there is none, or not a whole one."""
    if (tables := load_frames(path)) is None:
        return None
    notes = tables.pop("note", pd.DataFrame()).to_dict("records")
    return CaseResult(**tables, note=notes[0] if notes else {})


def code_digest() -> str:
    """Digest of the code that decides what is forecast and how it is scored."""
    root = Path(__file__).parents[2]
    digest = hashlib.sha256()
    for path in sorted([*root.rglob("*.py"), *root.rglob("*.csv")]):
        inside = path.relative_to(root).as_posix()
        ours = inside.startswith("lab/validation")
        if inside.startswith(SCORED_BY) and not (ours and path.name in NOT_SCORING):
            digest.update(inside.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def population_digest(population: Population) -> str:
    """Digest of everything a population states."""
    p = population
    names = p.phases, p.signs, p.analytes, p.events, p.evidence_weight, p.n_stages
    digest = hashlib.sha256(repr(names).encode())
    for name in DIMS:
        digest.update(np.ascontiguousarray(getattr(p, name)).tobytes())
    return digest.hexdigest()


def key_of(*parts: object) -> str:
    """Short digest of everything that a result depends on."""
    return hashlib.sha256(repr((*parts, code_digest())).encode()).hexdigest()[:16]
