"""Population files: whole or refused, never a traceback, and plain NetCDF to others."""

from __future__ import annotations

import importlib.util
import json
import os
from dataclasses import fields, replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.population import (
    Population,
    PopulationError,
    default_population_path,
    elicit_population,
    load_population,
    save_population,
)
from maturity_model.population import files as population_files
from maturity_model.population.types import DIMS


@pytest.fixture(scope="module")
def population() -> Population:
    return elicit_population(load_catalogue(), 0.4, n_draws=40, seed=2, name="ré “practice”")


@pytest.fixture
def saved(population: Population, tmp_path: Path) -> Path:
    path = tmp_path / "population.nc"
    save_population(population, path)
    return path


def test_round_trip_is_exact(population: Population, saved: Path) -> None:
    again = load_population(saved)
    for f in fields(Population):
        if f.name == "sha256":
            continue
        have, want = getattr(again, f.name), getattr(population, f.name)
        if isinstance(want, np.ndarray):
            assert have.dtype == want.dtype
            assert np.array_equal(have, want), f.name
        else:
            assert have == want, f.name
    assert len(again.sha256) == 64
    # A string is as good as a path, and a second save of what was read changes nothing.
    save_population(again, saved)
    assert load_population(str(saved)).sha256 == load_population(saved).sha256
    assert np.array_equal(load_population(saved).sign_logit, population.sign_logit)


def test_the_default_is_there() -> None:
    assert load_population().sha256 == load_population(default_population_path()).sha256


def test_xarray_sees_named_dimensions_with_draws_first(
    saved: Path, population: Population, need
) -> None:
    xarray = need("xarray")
    engine = "netcdf4" if importlib.util.find_spec("netCDF4") else "h5netcdf"
    need({"netcdf4": "netCDF4"}.get(engine, engine))
    with xarray.open_dataset(saved, engine=engine) as data:
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
        assert json.loads(data.attrs["provenance"])["seed"] == "2"


# -- what cannot be used is refused ------------------------------------------------------


def refused(path: Path, match: str = ".") -> str:
    with pytest.raises(PopulationError, match=match) as caught:
        load_population(path)
    text = str(caught.value)
    assert text.count(str(path)) == 1  # says which file, once
    return text


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
    refused(path, "not a population file")


def test_a_netcdf_of_something_else(tmp_path: Path) -> None:
    path = tmp_path / "else.nc"
    with h5py.File(path, "w") as file:
        file["temperature"] = np.arange(3)
    refused(path, "layout")


def test_truncated_anywhere(saved: Path, tmp_path: Path) -> None:
    content = saved.read_bytes()
    path = tmp_path / "short.nc"
    for size in np.linspace(1, len(content) - 1, 60).astype(int):
        path.write_bytes(content[:size])
        refused(path)


def test_damaged_anywhere_is_refused_or_harmless(saved: Path, tmp_path: Path) -> None:
    # HDF5 has no checksums by default: a flipped value may pass, but nothing may crash.
    content = saved.read_bytes()
    path = tmp_path / "damaged.nc"
    rng = np.random.default_rng(1)
    outcomes = {"refused": 0, "read": 0}
    for _ in range(300):
        damaged = bytearray(content)
        at = int(rng.integers(0, len(content)))
        damaged[at : at + 16] = rng.bytes(16)
        path.write_bytes(damaged)
        try:
            found = load_population(path)
        except PopulationError:
            outcomes["refused"] += 1
        else:
            outcomes["read"] += 1
            assert np.isfinite(found.sign_logit).all()
    assert outcomes["refused"] > 30


def test_too_large(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(population_files, "MAX_BYTES", 2**20)
    with saved.open("ab") as handle:
        handle.truncate(2**20 + 1)
    refused(saved, "larger than 1 MiB")


def test_a_small_file_that_claims_a_huge_array(saved: Path) -> None:
    with h5py.File(saved, "r+") as file:
        del file["log_advance"]
        file.create_dataset("log_advance", shape=(2**40, 4), chunks=(1024, 4), dtype="f8")
    assert saved.stat().st_size < 2**20
    refused(saved, "too large")


def test_values_in_another_file(saved: Path, tmp_path: Path) -> None:
    raw = tmp_path / "raw.bin"
    raw.write_bytes(np.zeros((40, 4)).tobytes())
    with h5py.File(saved, "r+") as file:
        del file["log_advance"]
        file.create_dataset(
            "log_advance", shape=(40, 4), dtype="f8", external=[(str(raw), 0, 1280)]
        )
    refused(saved, "another file")
    with h5py.File(tmp_path / "second.nc", "w") as second:
        second["x"] = np.zeros((40, 4))
    with h5py.File(saved, "r+") as file:
        del file["log_advance"]
        file["log_advance"] = h5py.ExternalLink(str(tmp_path / "second.nc"), "x")
    refused(saved)


def test_another_layout(saved: Path) -> None:
    with h5py.File(saved, "r+") as file:
        file.attrs["layout"] = 2
    refused(saved, "layout 2")


@pytest.mark.parametrize("name", ["log_advance", "start", "sign", "small"])
def test_a_variable_is_missing_or_a_group(saved: Path, name: str) -> None:
    with h5py.File(saved, "r+") as file:
        del file[name]
    refused(saved)
    with h5py.File(saved, "r+") as file:
        file.create_group(name)
    refused(saved)


@pytest.mark.parametrize("name", ["name", "kind", "evidence_weight", "n_stages", "provenance"])
def test_an_attribute_is_missing(saved: Path, name: str) -> None:
    with h5py.File(saved, "r+") as file:
        del file.attrs[name]
    refused(saved)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("provenance", "{"),
        ("provenance", "[1]"),
        ("provenance", "[" * 100_000),
        ("evidence_weight", float("nan")),
        ("evidence_weight", 1.5),
        ("evidence_weight", "much"),
        ("kind", "guessed"),
        ("n_stages", 2),
        ("n_stages", 10**9),
        ("n_stages", -1),
        ("layout", [1, 1]),
    ],
)
def test_an_attribute_is_nonsense(saved: Path, name: str, value: object) -> None:
    with h5py.File(saved, "r+") as file:
        try:
            file.attrs[name] = value
        except OSError:  # too long for an attribute
            file.attrs.create(name, value[:60_000])  # type: ignore[index]
    refused(saved)


@pytest.mark.parametrize("name", DIMS)
def test_every_array_s_shape_and_values_are_checked(saved: Path, name: str) -> None:
    with h5py.File(saved, "r+") as file:
        good = file[name][()]
        for bad in (good[..., :-1], good[:-1], good[None], good.ravel()[:1]):
            if bad.shape == good.shape:
                continue
            del file[name]
            file[name] = bad
            file.flush()
            refused(saved, f"{name}|shape")
        for nonsense in (np.nan, np.inf, 1e300, -1e300):
            bad = good.copy()
            bad[(-1,) * bad.ndim] = nonsense
            del file[name]
            file[name] = bad
            file.flush()
            refused(saved, name)
        del file[name]
        file[name] = np.full(good.shape, b"text")
        file.flush()
        refused(saved)


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
    with h5py.File(saved, "r+") as file:
        values = file[name][()]
        values[(0,) * values.ndim] = value
        file[name][...] = values
    refused(saved, name)


def test_a_label_twice(saved: Path) -> None:
    with h5py.File(saved, "r+") as file:
        file["sign"][1] = "amphipods"
    refused(saved, "twice")


def test_no_draws(population: Population, tmp_path: Path) -> None:
    values = {n: getattr(population, n)[..., :0] for n, d in DIMS.items() if d[-1] == "draw"}
    path = tmp_path / "none.nc"
    save_population(replace(population, **values), path)
    refused(path, "no draws")


# -- saving ------------------------------------------------------------------------------


def test_a_failure_while_saving_leaves_the_old_file(
    saved: Path, population: Population, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = saved.read_bytes()
    calls = 0

    def fail_late(*args: object) -> np.ndarray:
        nonlocal calls
        calls += 1
        if calls == 12:
            raise KeyboardInterrupt
        return np.moveaxis(*args)  # type: ignore[arg-type]

    class Shim:
        moveaxis = staticmethod(fail_late)

        def __getattr__(self, name: str) -> object:
            return getattr(np, name)

    monkeypatch.setattr(population_files, "np", Shim())
    with pytest.raises(KeyboardInterrupt):
        save_population(replace(population, name="new"), saved)
    assert calls == 12
    assert saved.read_bytes() == before
    assert [p.name for p in saved.parent.iterdir()] == [saved.name]


def test_saving_into_a_folder_that_is_not_there(population: Population, tmp_path: Path) -> None:
    with pytest.raises(OSError):
        save_population(population, tmp_path / "no" / "population.nc")
