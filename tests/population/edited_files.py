"""Population files changed on purpose, with a digest that fits, and files of version 0.1."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.population import (
    Population,
    PopulationError,
    elicit_population,
    load_population,
)
from maturity_model.population.files import COORDINATES, DIGEST, UNSEALED, seal
from maturity_model.population.netcdf import Variable, pack, texts, unpack
from maturity_model.population.types import DIMS, OPTIONAL_DIMS


@cache
def small_population() -> Population:
    return elicit_population(load_catalogue(), 0.4, n_draws=40, seed=2, name="ré “practice”")


def refused(path: Path, match: str = ".") -> str:
    """The one line that says why a file is refused, and names it once."""
    with pytest.raises(PopulationError, match=match) as caught:
        load_population(path)
    text = str(caught.value)
    assert text.count(str(path)) == 1
    assert "\n" not in text
    return text


def same_but_the_digest(have: Population, want: Population) -> None:
    for field in fields(Population):
        a, b = getattr(have, field.name), getattr(want, field.name)
        if isinstance(b, np.ndarray):
            assert (a.dtype, a.tobytes()) == (b.dtype, b.tobytes()), field.name
        elif field.name != "sha256":
            assert a == b, field.name


@contextmanager
def edited(path: Path) -> Iterator[tuple[dict[str, Any], dict[str, np.ndarray]]]:
    """Attributes and arrays of a file, to be changed; its digest then fits again."""
    attributes, arrays = unpack(path.read_bytes())
    yield attributes, arrays
    if DIGEST in attributes:
        attributes[DIGEST] = UNSEALED
    variables = {
        name: Variable(tuple(f"{name}{axis}" for axis in range(np.ndim(values))), values)
        for name, values in arrays.items()
    }
    path.write_bytes(seal(pack(attributes, variables)))


def documents(path: Path) -> dict[str, str]:
    """The JSON documents stored with a population."""
    _, arrays = unpack(path.read_bytes())
    stored = {name: values for name, values in arrays.items() if name.startswith("origin_")}
    return {name.removeprefix("origin_"): texts(values)[0] for name, values in stored.items()}


def save_older(population: Population, path: Path, stored: Mapping[str, str] | None = None) -> None:
    """Write a population as version 0.1 did."""
    text = h5py.string_dtype()
    with h5py.File(path, "w", track_order=True) as file:
        file.attrs["layout"] = 1
        file.attrs["name"], file.attrs["kind"] = population.name, population.kind
        file.attrs["evidence_weight"] = float(population.evidence_weight)
        file.attrs["n_stages"] = population.n_stages
        file.attrs["provenance"] = json.dumps(population.provenance, sort_keys=True)
        for dim, attr in COORDINATES.items():
            file.create_dataset(dim, data=list(getattr(population, attr)), dtype=text)
        for name, dims in (DIMS | OPTIONAL_DIMS).items():
            values = getattr(population, name)
            if values is not None:
                file[name] = np.moveaxis(values, -1, 0) if dims[-1] == "draw" else values
        if population.members is not None:
            members = population.members
            group = file.create_group("members")
            group.attrs["salt"], group.attrs["check"] = members.salt.hex(), members.check
            group.attrs["secret"] = "outside this file" if members.secret else "none"
            group.attrs["as_of"] = members.as_of.isoformat()
            group.create_dataset("keeper", data=list(members.keepers), dtype=text)
            group["skill"] = members.skill.T
            for name, names in (("tank", members.tanks), ("tank_log", members.tanks.values())):
                group.create_dataset(name, data=list(names), dtype=text)
        for name, content in (stored or {}).items():
            file.create_dataset(f"origin/{name}", data=content, dtype=text)
