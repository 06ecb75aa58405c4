"""Population files: whole or refused, never a traceback, and plain NetCDF to others."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from population.edited_files import edited, refused, same_but_the_digest, small_population

from maturity_model.population import (
    Population,
    default_population_path,
    load_population,
    save_population,
)
from maturity_model.population import files as population_files
from maturity_model.population.netcdf import FormatError, Variable, pack, texts, unpack
from maturity_model.population.types import DIMS


@pytest.fixture
def population() -> Population:
    return small_population()


@pytest.fixture
def saved(population: Population, tmp_path: Path) -> Path:
    path = tmp_path / "population.nc"
    save_population(population, path)
    return path


def test_round_trip_is_exact(population: Population, saved: Path) -> None:
    again = load_population(saved)
    same_but_the_digest(again, population)
    assert len(again.sha256) == 64
    # A string is as good as a path, and a second save of what was read changes nothing.
    save_population(again, saved)
    assert load_population(str(saved)).sha256 == load_population(saved).sha256
    assert np.array_equal(load_population(saved).sign_logit, population.sign_logit)


def test_the_default_is_there() -> None:
    assert load_population().sha256 == load_population(default_population_path()).sha256


def test_others_see_named_dimensions_with_draws_first(
    saved: Path, population: Population, need
) -> None:
    # SciPy's reader of classic NetCDF, which shares no code with ours.
    need("scipy")
    with need("xarray").open_dataset(saved, engine="scipy") as data:
        assert set(data.data_vars) == set(DIMS)
        for name, dims in DIMS.items():
            want = ("draw", *dims[:-1]) if dims[-1] == "draw" else dims
            assert data[name].dims == want, name
            assert data[name].attrs["long_name"]
            assert "units" in data[name].attrs
        assert tuple(data["sign"].values) == population.signs
        assert tuple(data["phase"].values) == population.phases
        value = data["sign_logit"].sel(sign="diatoms", phase="bloom").values
        g, k = population.signs.index("diatoms"), population.phases.index("bloom")
        assert np.array_equal(value, population.sign_logit[g, k])
        assert data.attrs["Conventions"].startswith("CF-")
        assert data.attrs["name"] == population.name
        assert json.loads(data.attrs["provenance"])["seed"] == "2"


def test_what_others_write_is_read(tmp_path: Path, need) -> None:
    need("scipy")
    path = tmp_path / "theirs.nc"
    data = need("xarray").Dataset(
        {"x": (("a", "b"), np.arange(6.0).reshape(2, 3)), "n": ("a", np.array([1, 2], np.int32))},
        {"a": ["ré", "b"]},
        {"title": "theirs", "weight": 0.5},
    )
    data.to_netcdf(path, format="NETCDF3_CLASSIC", engine="scipy")
    attributes, arrays = unpack(path.read_bytes())
    assert attributes == {"title": "theirs", "weight": 0.5}
    assert np.array_equal(arrays["x"], data["x"].values)
    assert arrays["n"].tolist() == [1, 2]
    assert texts(arrays["a"]) == ("ré", "b")


def test_what_the_format_cannot_hold() -> None:
    with pytest.raises(ValueError, match="length 0"):
        pack({}, {"x": Variable(("a",), np.zeros(0))})
    with pytest.raises(ValueError, match="length 3 along a"):
        pack({}, {"x": Variable(("a",), np.zeros(2)), "y": Variable(("a",), np.zeros(3))})


# -- what cannot be used is refused ------------------------------------------------------


def test_not_there_and_not_a_file(tmp_path: Path) -> None:
    refused(tmp_path / "none.nc", "not there")
    refused(tmp_path, "not a file")
    os.mkfifo(tmp_path / "pipe")
    refused(tmp_path / "pipe", "not a file")  # would wait for ever
    if Path("/dev/zero").exists():
        refused(Path("/dev/zero"), "not a file")  # would never end


@pytest.mark.parametrize("content", [b"", b"hello", b"\x89HDF\r\n\x1a\n", b"CDF\x01" + bytes(50)])
def test_other_content(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "other.nc"
    path.write_bytes(content)
    refused(path)


def test_a_netcdf_of_something_else(tmp_path: Path) -> None:
    path = tmp_path / "else.nc"
    path.write_bytes(pack({}, {"temperature": Variable(("x",), np.arange(3.0))}))
    refused(path, "format_version None is not known")


def test_truncated_anywhere(saved: Path, tmp_path: Path) -> None:
    content = saved.read_bytes()
    path = tmp_path / "short.nc"
    for size in np.linspace(1, len(content) - 1, 60).astype(int):
        path.write_bytes(content[:size])
        refused(path)
    path.write_bytes(content + b"\0")
    refused(path, "damaged")


def test_one_flipped_bit_anywhere_is_noticed(saved: Path, tmp_path: Path) -> None:
    content = saved.read_bytes()
    path = tmp_path / "damaged.nc"
    rng = np.random.default_rng(1)
    whole_header = np.arange(1500)
    for at in (*whole_header, *rng.integers(0, len(content), 500)):
        damaged = bytearray(content)
        damaged[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(damaged)
        refused(path)


def test_too_large(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(population_files, "MAX_BYTES", 2**20)
    with saved.open("ab") as handle:
        handle.truncate(2**20 + 1)
    refused(saved, "larger than 1 MiB")


def test_a_header_that_claims_more_than_the_file_holds() -> None:
    content = pack({}, {"x": Variable(("a", "b"), np.zeros((3, 5)))})
    length = content.index((3).to_bytes(4, "big"))
    for claim in (4, 2**20, 2**31 - 1):
        huge = content[:length] + claim.to_bytes(4, "big") + content[length + 4 :]
        with pytest.raises(FormatError, match="larger than the file"):
            unpack(huge)
    # Two variables in one place would take twice the memory.
    twice = pack({}, {name: Variable(("a",), np.zeros(2)) for name in "xy"})
    with pytest.raises(FormatError, match="larger than the file"):
        unpack(twice[:-16])


@pytest.mark.parametrize(
    ("name", "value", "match"),
    [
        *(
            (name, None, name)
            for name in ("name", "kind", "evidence_weight", "n_stages", "provenance", "sha256")
        ),
        ("format_version", 3, "format_version 3 is not known here; install a newer"),
        ("format_version", 1, "format_version 1 is not known here; make it again"),
        ("format_version", "x", "format_version 'x' is not known here; make it again"),
        ("provenance", "{", "not a population file"),
        ("provenance", "[1]", "not a population file"),
        ("provenance", "[" * 100_000, "not a population file"),
        ("evidence_weight", float("nan"), "not between 0 and 1"),
        ("evidence_weight", 1.5, "not between 0 and 1"),
        ("evidence_weight", "much", "not a population file"),
        ("kind", "guessed", "neither elicited nor fitted"),
        ("n_stages", 2, "shape"),
        ("n_stages", 10**9, "shape"),
        ("n_stages", -1, "shape"),
    ],
)
def test_an_attribute_is_missing_or_nonsense(
    saved: Path, name: str, value: Any, match: str
) -> None:
    with edited(saved) as (attributes, _):
        if value is None:
            del attributes[name]
        else:
            attributes[name] = value
    refused(saved, match)


@pytest.mark.parametrize("name", DIMS)
def test_every_array_s_shape_and_values_are_checked(saved: Path, name: str) -> None:
    def replaced(values: np.ndarray) -> None:
        with edited(saved) as (_, arrays):
            arrays[name] = values

    good = unpack(saved.read_bytes()).variables[name]
    for bad in (good[..., :-1], good[:-1], good[None], good.ravel()[:1]):
        if bad.shape != good.shape and bad.size:
            replaced(bad)
            refused(saved, f"{name}|shape")
    for nonsense in (np.nan, np.inf, 1e300, -1e300):
        bad = good.copy()
        bad[(-1,) * bad.ndim] = nonsense
        replaced(bad)
        refused(saved, name)
    replaced(np.full(good.shape, b"text"))
    refused(saved, name)
    with edited(saved) as (_, arrays):
        del arrays[name]
    refused(saved, f"it has no '{name}'")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("reading_sd", 0.0),
        ("reading_sd", -1.0),
        ("event_memory", 0.0),
        ("carry", 1.0),
        ("carry", -0.1),
        ("offset", 0.0),
        ("judge_accuracy", 1.2),
        ("outlier", -0.1),
        ("pace_sd", -0.5),
        ("start", 0.4),
        ("log_setback", np.nan),
    ],
)
def test_values_that_mean_nothing(saved: Path, name: str, value: float) -> None:
    with edited(saved) as (_, arrays):
        arrays[name][(0,) * arrays[name].ndim] = value
    refused(saved, name)


def test_labels(saved: Path) -> None:
    good = unpack(saved.read_bytes()).variables["sign"]
    for labels, match in (
        (np.array([b"amphipods", b"amphipods", *good[2:]]), "twice"),
        (np.array([b"\xff", *good[1:]]), "utf-8"),
        (np.arange(12), "numbers stand where text should"),
    ):
        with edited(saved) as (_, arrays):
            arrays["sign"] = labels
        refused(saved, match)


# -- saving ------------------------------------------------------------------------------


def test_a_failure_while_saving_leaves_the_old_file(
    saved: Path, population: Population, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = saved.read_bytes()

    def fail_late(path: Path, data: bytes) -> None:
        with path.open("wb") as handle:
            handle.write(data[: len(data) // 2])
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "write_bytes", fail_late)
    with pytest.raises(KeyboardInterrupt):
        save_population(replace(population, name="new"), saved)
    assert saved.read_bytes() == before
    assert [p.name for p in saved.parent.iterdir()] == [saved.name]


def test_saving_into_a_folder_that_is_not_there(population: Population, tmp_path: Path) -> None:
    with pytest.raises(OSError):
        save_population(population, tmp_path / "no" / "population.nc")
