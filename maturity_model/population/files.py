"""Populations in files: classic NetCDF with a digest over the whole file.

Other software opens them (xarray with its SciPy engine, for one). What it changes no longer
fits the digest, and is refused: save it with :func:`save_population`.
"""

from __future__ import annotations

import hashlib
import json
import warnings
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model.population import older_files
from maturity_model.population.members import pack_members, unpack_members
from maturity_model.population.netcdf import Attribute, Variable, pack, texts, unpack
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population
from maturity_model.whole_files import write_file

#: Version of the file's format; raised when an older program could not read it rightly.
FORMAT_VERSION = 2
#: Larger files are not read: in memory a population takes up to three times this.
MAX_BYTES = 256 * 2**20
#: Attribute with the digest, and what stands there while the digest is computed.
DIGEST, UNSEALED = "sha256", "0" * 64
_OLDER = (
    "{path} is of version 0.1 and carries no digest, so damage to it would go unnoticed; "
    "load_population and save_population make a file of today from it"
)
#: Names of the axes that have labels, and attributes of a population that hold these.
COORDINATES = {
    dim: f"{dim}s" for dim in ("phase", "sign", "analyte", "event", "covariate", "look", "rock")
}


class _Quantity(NamedTuple):
    """What an array holds, between which values; beyond them results would be silently wrong."""

    long_name: str
    low: float
    high: float
    unit: str = "1"


_QUANTITIES = {
    "log_advance": _Quantity("log of the weekly hazard of advancing a stage", -700, 20),
    "log_setback": _Quantity("log of the weekly hazard of a setback without events", -700, 20),
    "log_collapse": _Quantity("log of the weekly hazard of a collapse without events", -700, 20),
    "husbandry": _Quantity("log hazard ratio on advance per unit of a covariate", -50, 50),
    "event_advance": _Quantity("log hazard ratio on advance per unit of load", -50, 50),
    "event_setback": _Quantity("log hazard ratio on setback per unit of load", -50, 50),
    "event_collapse": _Quantity("log hazard ratio on collapse per unit of load", -50, 50),
    "event_memory": _Quantity("time in which an event's load falls to 1/e", 1e-3, 1e4, "week"),
    "pace_sd": _Quantity("standard deviation of tanks' log pace", 0, 20),
    "skill_sd": _Quantity("standard deviation of keepers' log-odds of seeing", 0, 20),
    "sign_logit": _Quantity("log-odds of seeing a sign at a careful look", -100, 100),
    "persistence": _Quantity(
        "change in log-odds at the strongest balance of past sightings", -100, 100
    ),
    "small": _Quantity("how far skill and look count for a sign", 0, 1),
    "look_effect": _Quantity("change in log-odds by way of looking", -100, 100),
    "reading_mean": _Quantity("mean of log(x + offset)", -100, 100),
    "reading_sd": _Quantity("standard deviation of log(x + offset)", 1e-6, 100),
    "carry": _Quantity("weekly autocorrelation of readings", 0, 1 - 1e-9),
    "offset": _Quantity("offset in log(x + offset)", 1e-9, 1e6, "mg/L"),
    "outlier": _Quantity("chance of a reading that says nothing", 0, 1),
    "judge_accuracy": _Quantity("chance that a judge names the true phase", 0, 1),
    "judge_repeat": _Quantity("chance that a judgement repeats the last one", 0, 1),
    "start": _Quantity("probability of the state in week 0", 0, 1),
    "sign_tank_sd": _Quantity(
        "standard deviation over tanks of the shift of a sign's log-odds", 0, 20
    ),
}


class PopulationError(ValueError):
    """A population file cannot be used; the message says why."""


class PopulationWarning(UserWarning):
    """A population file can be used, but should be made again."""


def default_population_path() -> Path:
    """Path of the population that ships with the package."""
    package = Path(__file__).parent.parent
    shipped = package / "_shipped" / "default_population.nc"
    return shipped if shipped.exists() else package.parent / "data" / "default_population.nc"


def save_population(
    population: Population, path: Path, documents: Mapping[str, str] | None = None
) -> None:
    """Write a population as classic NetCDF (draws first, as other software expects).

    Parameters
    ----------
    population : Population
    path : Path
    documents : mapping of str to str, optional
        JSON stored with it: see :mod:`maturity_model.fitting.model_inputs`.
    """
    attributes: dict[str, Attribute] = {
        "Conventions": "CF-1.11",
        "title": "Population of a maturity model",
        "format_version": FORMAT_VERSION,
        DIGEST: UNSEALED,
        "name": population.name,
        "kind": population.kind,
        "evidence_weight": float(population.evidence_weight),
        "n_stages": int(population.n_stages),
        "provenance": json.dumps(population.provenance, sort_keys=True),
    }
    variables = {dim: _text((dim,), getattr(population, attr)) for dim, attr in COORDINATES.items()}
    variables["draw"] = Variable(("draw",), np.arange(population.n_draws))
    variables["state"] = Variable(("state",), np.arange(population.chain.n_states))
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        values = getattr(population, name)
        if values is None:
            continue
        if dims[-1] == "draw":
            values, dims = np.moveaxis(values, -1, 0), ("draw", *dims[:-1])
        about = _QUANTITIES[name]
        attached = {"units": about.unit, "long_name": about.long_name}
        variables[name] = Variable(dims, values, attached)
    if population.members is not None:
        more, arrays = pack_members(population.members)
        attributes |= more
        variables |= arrays
    for name, text in (documents or {}).items():
        variables[f"origin_{name}"] = _text((), text)
    write_file(Path(path), seal(pack(attributes, variables)))


def seal(content: bytes) -> bytes:
    """Put the digest of a file into the place that :data:`UNSEALED` keeps for it."""
    return content.replace(UNSEALED.encode(), hashlib.sha256(content).hexdigest().encode(), 1)


def _text(dims: tuple[str, ...], value: str | tuple[str, ...]) -> Variable:
    coded = value.encode() if isinstance(value, str) else [label.encode() for label in value]
    return Variable(dims, np.array(coded, dtype="S"), {"_Encoding": "utf-8"})


class _File(NamedTuple):
    """Attributes, and arrays by name, of a file with this SHA-256; ``older`` is version 0.1."""

    sha256: str
    older: bool
    attributes: dict[str, Any]
    arrays: dict[str, NDArray[Any]]


def _open(path: Path) -> _File:
    """Read a file of any version that is known, and compare it with the digest it states."""
    if not path.is_file():
        raise PopulationError("is not there, or not a file")
    with path.open("rb") as handle:
        content = handle.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise PopulationError(f"larger than {MAX_BYTES // 2**20} MiB")
    sha256 = hashlib.sha256(content).hexdigest()
    if content.startswith(older_files.MAGIC):
        return _File(sha256, True, *older_files.read_older(content))
    attributes, arrays = unpack(content)
    version = attributes.get("format_version")
    if version != FORMAT_VERSION:
        newer = isinstance(version, int) and version > FORMAT_VERSION
        mend = "install a newer maturity-model" if newer else "make it again"
        raise PopulationError(f"its format_version {version!r:.40} is not known here; {mend}")
    stated = str(attributes[DIGEST])
    if seal(content.replace(stated.encode(), UNSEALED.encode(), 1)) != content:
        raise PopulationError("is damaged or was changed, for its digest differs; fetch it again")
    return _File(sha256, False, attributes, arrays)


def _arrays(arrays: dict[str, NDArray[Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {attr: texts(arrays[dim]) for dim, attr in COORDINATES.items()}
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        if name in OPTIONAL_DIMS and name not in arrays:
            continue
        if arrays[name].dtype.kind == "S":
            raise PopulationError(f"{name} holds text")
        values = np.asarray(arrays[name], dtype=np.float64)
        if dims[-1] == "draw":
            values = np.ascontiguousarray(np.moveaxis(values, 0, -1))
        out[name] = values
    return out


def _check(values: dict[str, Any], n_stages: int) -> None:
    """Raise PopulationError where labels, shapes or values cannot be a population's."""
    sizes = {}
    for dim, attr in COORDINATES.items():
        sizes[dim] = len(values[attr])
        if len(set(values[attr])) < sizes[dim]:
            raise PopulationError(f"{dim} names something twice")
    sizes["draw"] = values["log_advance"].shape[-1]
    sizes["state"] = sizes["phase"] * n_stages
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        if name not in values:
            continue
        bare, want = values[name], tuple(sizes[d] for d in dims)
        if bare.shape != want:
            raise PopulationError(f"{name} has the shape {bare.shape}, not {want}")
        if name in ("log_setback", "log_collapse"):
            if (bare[0] != -np.inf).any():
                raise PopulationError(f"{name} of the first phase is not -inf")
            bare = bare[1:]
        _, low, high, _ = _QUANTITIES[name]
        # False for NaN too.
        if not ((bare >= low) & (bare <= high)).all():
            raise PopulationError(f"{name} holds values outside {low:g} to {high:g}")
    if sizes["draw"] < 1:
        raise PopulationError("it holds no draws")
    if np.abs(values["start"].sum(axis=1) - 1).max() > 1e-6:
        raise PopulationError("the rows of start do not sum to 1")


def load_population(path: str | Path | None = None) -> Population:
    """Read a population; without a path, the one that ships with the package.

    Raises
    ------
    PopulationError
        When the file is missing, too large, damaged, or not a population of a known format.

    Warns
    -----
    PopulationWarning
        When it is of version 0.1, and so carries no digest.
    """
    path = Path(path) if path is not None else default_population_path()
    try:
        file = _open(path)
        population = _population(file)
    except PopulationError as error:
        raise PopulationError(f"{path}: {error}") from None
    except (
        OSError, KeyError, ValueError, TypeError, AttributeError, RuntimeError, MemoryError,
        OverflowError, IndexError, zipfile.BadZipFile,
    ) as error:  # fmt: skip
        # Damage shows in many ways; each becomes one line.
        missing = "it has no " if isinstance(error, KeyError) else ""
        why = missing + " ".join(str(error).split())[:200]
        raise PopulationError(f"{path}: not a population file ({why})") from None
    if file.older:
        warnings.warn(_OLDER.format(path=path), PopulationWarning, stacklevel=2)
    return population


def _population(file: _File) -> Population:
    attributes = file.attributes
    n_stages = int(attributes["n_stages"])
    weight = float(attributes["evidence_weight"])
    if not 0.0 <= weight <= 1.0:
        raise PopulationError(f"the evidence weight {weight} is not between 0 and 1")
    kind = attributes["kind"]
    if kind not in ("elicited", "fitted"):
        raise PopulationError(f"the kind {kind!r:.80} is neither elicited nor fitted")
    values = _arrays(file.arrays)
    _check(values, n_stages)
    return Population(
        name=str(attributes["name"]),
        kind=kind,
        evidence_weight=weight,
        n_stages=n_stages,
        sha256=file.sha256,
        provenance=dict(json.loads(str(attributes["provenance"]))),
        members=unpack_members(attributes, file.arrays, values["log_advance"].shape[-1]),
        **values,
    )
