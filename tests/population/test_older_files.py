"""Populations of version 0.1: read once more with a warning, by a child process."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from population.edited_files import refused, same_but_the_digest, save_older, small_population

from maturity_model.population import (
    PopulationWarning,
    load_population,
    older_files,
    save_population,
)


@pytest.fixture
def older(tmp_path: Path) -> Path:
    path = tmp_path / "older.nc"
    save_older(small_population(), path, {"priors": "{}"})
    return path


def test_an_older_file_is_read_with_a_warning(older: Path) -> None:
    with pytest.warns(
        PopulationWarning, match=r"older\.nc is of version 0\.1 .* no digest"
    ) as said:
        again = load_population(older)
    assert len(said) == 1
    same_but_the_digest(again, small_population())
    # Saved once more, it is a file of today.
    save_population(again, older)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        load_population(older)


def _bomb(file: h5py.File) -> None:
    del file["log_advance"]
    chunks = {"chunks": (2**17, 4), "compression": "gzip"}
    file.create_dataset("log_advance", data=np.zeros((2**17, 4)), dtype="f8", **chunks)


def _huge(file: h5py.File) -> None:
    del file["log_advance"]
    file.create_dataset("log_advance", shape=(2**40, 4), dtype="f8")


def _elsewhere(file: h5py.File) -> None:
    del file["log_advance"]
    raw = Path(file.filename).with_name("raw.bin")
    raw.write_bytes(np.zeros((40, 4)).tobytes())
    file.create_dataset("log_advance", shape=(40, 4), dtype="f8", external=[(str(raw), 0, 1280)])


def _linked(file: h5py.File) -> None:
    other = Path(file.filename).with_name("second.nc")
    with h5py.File(other, "w") as second:
        second["x"] = np.zeros((40, 4))
    del file["log_advance"]
    file["log_advance"] = h5py.ExternalLink(str(other), "x")


def _layout(file: h5py.File) -> None:
    file.attrs["layout"] = 2


def _compound(file: h5py.File) -> None:
    file["more"] = np.zeros(3, dtype=[("a", "f8"), ("b", "i4")])


def _list(file: h5py.File) -> None:
    file.attrs["n_stages"] = [3, 3]


@pytest.mark.parametrize(
    ("spoil", "match"),
    [
        (_bomb, "log_advance is not stored as"),
        (_huge, "log_advance is too large"),
        (_elsewhere, "log_advance is not stored as"),
        (_linked, "log_advance"),
        (_layout, "its layout is 2, not 1"),
        (_compound, "neither text nor numbers"),
        (_list, "neither text nor a number"),
    ],
)
def test_an_older_file_that_is_not_one(older: Path, spoil: Any, match: str) -> None:
    with h5py.File(older, "r+") as file:
        spoil(file)
    refused(older, match)


@pytest.mark.parametrize(
    ("code", "match"),
    [
        ("import os; os.kill(os.getpid(), 11)", "HDF5 library failed with code -11"),
        ("raise MemoryError", "MemoryError"),
    ],
)
def test_the_hdf5_library_crashes(
    older: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, match: str
) -> None:
    script = tmp_path / "crash.py"
    script.write_text(f"import sys; sys.stdin.buffer.read(); {code}")
    monkeypatch.setattr(older_files, "__file__", str(script))
    refused(older, match)
