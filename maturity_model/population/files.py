"""Populations in NetCDF-4 files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.population.members import Members, read_members, write_members
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population
from maturity_model.whole_files import new_file

#: Version of the file's layout.
LAYOUT = 1
#: Larger files are not opened.
MAX_BYTES = 512 * 2**20
_ORIGIN, _MEMBERS = "origin", "members"
COORDINATES = {
    "phase": "phases",
    "sign": "signs",
    "analyte": "analytes",
    "event": "events",
    "covariate": "covariates",
    "look": "looks",
    "rock": "rocks",
}
_UNITS = {
    "log_advance": ("1", "log of the weekly hazard of advancing a stage"),
    "log_setback": ("1", "log of the weekly hazard of a setback without events"),
    "log_collapse": ("1", "log of the weekly hazard of a collapse without events"),
    "husbandry": ("1", "log hazard ratio on advance per unit of a covariate"),
    "event_advance": ("1", "log hazard ratio on advance per unit of load"),
    "event_setback": ("1", "log hazard ratio on setback per unit of load"),
    "event_collapse": ("1", "log hazard ratio on collapse per unit of load"),
    "event_memory": ("week", "time in which an event's load falls to 1/e"),
    "pace_sd": ("1", "standard deviation of tanks' log pace"),
    "skill_sd": ("1", "standard deviation of keepers' log-odds of seeing"),
    "sign_logit": ("1", "log-odds of seeing a sign at a careful look"),
    "persistence": ("1", "change in log-odds at the strongest balance of past sightings"),
    "small": ("1", "how far skill and look count for a sign"),
    "look_effect": ("1", "change in log-odds by way of looking"),
    "reading_mean": ("1", "mean of log(x + offset)"),
    "reading_sd": ("1", "standard deviation of log(x + offset)"),
    "carry": ("1", "weekly autocorrelation of readings"),
    "offset": ("mg/L", "offset in log(x + offset)"),
    "outlier": ("1", "chance of a reading that says nothing"),
    "judge_accuracy": ("1", "chance that a judge names the true phase"),
    "judge_repeat": ("1", "chance that a judgement repeats the last one"),
    "start": ("1", "probability of the state in week 0"),
    "sign_tank_sd": ("1", "standard deviation over tanks of the shift of a sign's log-odds"),
}


#: Bounds of the values. Outside them, results would be wrong without any error.
_BOUNDS = {
    "log_advance": (-700.0, 20.0),
    "log_setback": (-700.0, 20.0),
    "log_collapse": (-700.0, 20.0),
    "husbandry": (-50.0, 50.0),
    "event_advance": (-50.0, 50.0),
    "event_setback": (-50.0, 50.0),
    "event_collapse": (-50.0, 50.0),
    "event_memory": (1e-3, 1e4),
    "pace_sd": (0.0, 20.0),
    "skill_sd": (0.0, 20.0),
    "sign_logit": (-100.0, 100.0),
    "persistence": (-100.0, 100.0),
    "small": (0.0, 1.0),
    "look_effect": (-100.0, 100.0),
    "reading_mean": (-100.0, 100.0),
    "reading_sd": (1e-6, 100.0),
    "carry": (0.0, 1.0 - 1e-9),
    "offset": (1e-9, 1e6),
    "outlier": (0.0, 1.0),
    "judge_accuracy": (0.0, 1.0),
    "judge_repeat": (0.0, 1.0),
    "start": (0.0, 1.0),
    "sign_tank_sd": (0.0, 20.0),
}


class PopulationError(ValueError):
    """A population file cannot be used; the message says why."""


def default_population_path() -> Path:
    """Path of the population that ships with the package."""
    package = Path(__file__).parent.parent
    shipped = package / "_shipped" / "default_population.nc"
    return shipped if shipped.exists() else package.parent / "data" / "default_population.nc"


def save_population(
    population: Population, path: Path, documents: Mapping[str, str] | None = None
) -> None:
    """Write a population as NetCDF-4 (draws first, as other software expects).

    Parameters
    ----------
    population : Population
    path : Path
        Replaced only when the new file is whole.
    documents : mapping of str to str, optional
        JSON stored with it, in the group ``origin``: see :mod:`.model_inputs`.
    """
    import h5py

    path = Path(path)
    with new_file(path) as temporary, h5py.File(temporary, "w", track_order=True) as file:
        file.attrs["Conventions"] = "CF-1.11"
        file.attrs["title"] = "Population of a maturity model"
        file.attrs["layout"] = LAYOUT
        file.attrs["name"] = population.name
        file.attrs["kind"] = population.kind
        file.attrs["evidence_weight"] = float(population.evidence_weight)
        file.attrs["n_stages"] = population.n_stages
        file.attrs["provenance"] = json.dumps(population.provenance, sort_keys=True)
        scales = {}
        for dim, attr in COORDINATES.items():
            labels = list(getattr(population, attr))
            scales[dim] = file.create_dataset(dim, data=labels, dtype=h5py.string_dtype())
        scales["draw"] = file.create_dataset("draw", data=np.arange(population.n_draws))
        scales["state"] = file.create_dataset("state", data=np.arange(population.chain.n_states))
        for name, scale in scales.items():
            scale.make_scale(name)
        for name, dims in (DIMS | OPTIONAL_DIMS).items():
            values = getattr(population, name)
            if values is None:
                continue
            if dims[-1] == "draw":
                values, dims = np.moveaxis(values, -1, 0), ("draw", *dims[:-1])
            data = file.create_dataset(name, data=np.ascontiguousarray(values))
            data.attrs["units"], data.attrs["long_name"] = _UNITS[name]
            for axis, dim in enumerate(dims):
                data.dims[axis].attach_scale(scales[dim])
        if population.members is not None:
            write_members(file.create_group(_MEMBERS), population.members)
        for name, text in (documents or {}).items():
            # A data set, because attributes are limited to 64 KiB.
            file.create_dataset(f"{_ORIGIN}/{name}", data=text, dtype=h5py.string_dtype())


def load_documents(path: str | Path) -> dict[str, str]:
    """Read the JSON documents stored with a population; empty if there are none.

    Raises
    ------
    PopulationError
        When the file cannot be read.
    """
    import h5py

    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise PopulationError(f"{path}: larger than {MAX_BYTES // 2**20} MiB")
        with h5py.File(path, "r") as file:
            group = file.get(_ORIGIN, {})
            texts = {name: _dataset(file, f"{_ORIGIN}/{name}") for name in group}
            return {k: v.decode() for k, v in texts.items() if isinstance(v, bytes)}
    except (OSError, KeyError, ValueError, TypeError, AttributeError, RuntimeError) as error:
        raise PopulationError(f"{path}: its documents cannot be read ({error})") from None


def _dataset(file: Any, name: str) -> Any:
    # Checked before reading: a small file can claim an enormous array, or values in another file.
    data = file[name]
    if data.size * 8 > MAX_BYTES:
        raise PopulationError(f"{name} is too large")
    if data.file.filename != file.filename or data.external or data.is_virtual:
        raise PopulationError(f"{name} lies in another file")
    return data[()]


def _read(file: Any) -> dict[str, Any]:
    out: dict[str, Any] = {
        attr: tuple(v.decode() if isinstance(v, bytes) else str(v) for v in _dataset(file, dim))
        for dim, attr in COORDINATES.items()
    }
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        if name in OPTIONAL_DIMS and name not in file:
            continue
        values = np.asarray(_dataset(file, name), dtype=np.float64)
        if dims[-1] == "draw":
            values = np.ascontiguousarray(np.moveaxis(values, 0, -1))
        out[name] = values
    return out


def _read_members(file: Any, n_draws: int) -> Members | None:
    # Older files have no such group.
    if _MEMBERS not in file:
        return None
    return read_members(
        file[_MEMBERS].attrs, lambda name: _dataset(file, f"{_MEMBERS}/{name}"), n_draws
    )


def _check(values: dict[str, Any], n_stages: int) -> None:
    sizes = {dim: len(values[attr]) for dim, attr in COORDINATES.items()}
    for dim, attr in COORDINATES.items():
        if len(set(values[attr])) < sizes[dim]:
            raise PopulationError(f"{dim} names something twice")
    sizes["draw"] = values["log_advance"].shape[-1]
    sizes["state"] = sizes["phase"] * n_stages
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        if name not in values:
            continue
        want = tuple(sizes[d] for d in dims)
        if values[name].shape != want:
            raise PopulationError(f"{name} has the shape {values[name].shape}, not {want}")
        bare = values[name]
        if name in ("log_setback", "log_collapse"):
            if (bare[0] != -np.inf).any():
                raise PopulationError(f"{name} of the first phase is not -inf")
            bare = bare[1:]
        low, high = _BOUNDS[name]
        if not np.isfinite(bare).all():
            raise PopulationError(f"{name} holds values that are not finite")
        if not ((bare >= low) & (bare <= high)).all():
            raise PopulationError(f"{name} holds values outside {low:g} to {high:g}")
    if sizes["draw"] < 1:
        raise PopulationError("it holds no draws")
    if np.abs(values["start"].sum(axis=1) - 1).max() > 1e-6:
        raise PopulationError("the rows of start do not sum to 1")


def _from_file(content: bytes, sha256: str) -> Population:
    import io

    import h5py

    with h5py.File(io.BytesIO(content), "r") as file:
        layout = int(file.attrs.get("layout", -1))
        if layout != LAYOUT:
            raise PopulationError(f"layout {layout} is not known here, only {LAYOUT}")
        n_stages = int(file.attrs["n_stages"])
        weight = float(file.attrs["evidence_weight"])
        if not 0.0 <= weight <= 1.0:
            raise PopulationError(f"the evidence weight {weight} is not between 0 and 1")
        kind = str(file.attrs["kind"])
        if kind not in ("elicited", "fitted"):
            raise PopulationError(f"the kind {kind[:80]!r} is neither elicited nor fitted")
        values = _read(file)
        _check(values, n_stages)
        return Population(
            name=str(file.attrs["name"]),
            kind="fitted" if kind == "fitted" else "elicited",
            evidence_weight=weight,
            n_stages=n_stages,
            sha256=sha256,
            provenance=dict(json.loads(str(file.attrs["provenance"]))),
            members=_read_members(file, values["log_advance"].shape[-1]),
            **values,
        )


def load_population(path: str | Path | None = None) -> Population:
    """Read a population.

    Parameters
    ----------
    path : str or Path, optional
        Default: the one that ships with the package.

    Returns
    -------
    Population

    Raises
    ------
    PopulationError
        When the file is missing, too large, or not a population of this layout.
    """
    path = Path(path) if path is not None else default_population_path()
    try:
        if not path.is_file():
            raise PopulationError("is not there, or not a file")
        if path.stat().st_size > MAX_BYTES:
            raise PopulationError(f"larger than {MAX_BYTES // 2**20} MiB")
        content = path.read_bytes()
        sha256 = hashlib.sha256(content).hexdigest()
        return _from_file(content, sha256)
    except PopulationError as error:
        raise PopulationError(f"{path}: {error}") from None
    except (
        OSError, KeyError, ValueError, TypeError, AttributeError, RuntimeError, MemoryError,
        OverflowError, IndexError,
    ) as error:  # fmt: skip
        # On damaged files h5py raises almost anything.
        raise PopulationError(f"{path}: not a population file ({error})") from None
