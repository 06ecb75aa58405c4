"""Populations that are kept between processes: the same numbers, and nothing doubtful."""

from __future__ import annotations

import os
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from maturity_model.population import Population, files, load_population, save_population
from maturity_model.population import cache as kept


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(folder))
    return folder


def never(*_: object) -> Population:
    raise AssertionError("the file was read")


def test_a_kept_population_is_the_one_in_the_file(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = load_population()
    (path,) = cache.iterdir()
    assert path.stat().st_mode & 0o077 == 0
    monkeypatch.setattr(files, "_from_file", never)
    again = load_population()
    for field in fields(Population):
        one, other = getattr(read, field.name), getattr(again, field.name)
        if isinstance(one, np.ndarray):
            assert one.dtype == other.dtype
            assert other.flags.writeable
            np.testing.assert_array_equal(one, other)
        else:
            assert one == other


@pytest.mark.parametrize("at", [0, 40, 400, -1])
def test_a_damaged_one_is_passed_over(cache: Path, at: int) -> None:
    read = load_population()
    (path,) = cache.iterdir()
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)
    assert kept.take(read.sha256) is None
    assert load_population().sha256 == read.sha256
    assert kept.take(read.sha256) is not None


@pytest.mark.parametrize("length", [0, 32, 1000, -1])
def test_a_half_written_one_is_passed_over(cache: Path, length: int) -> None:
    read = load_population()
    (path,) = cache.iterdir()
    path.write_bytes(path.read_bytes()[:length])
    assert kept.take(read.sha256) is None


@pytest.mark.parametrize("name", ["__version__", "_FORMAT", "OPTIONAL_DIMS", "sys.byteorder"])
def test_one_of_another_version_or_machine_is_passed_over(
    cache: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    read = load_population()
    assert kept.take(read.sha256) is not None
    monkeypatch.setattr(f"maturity_model.population.cache.{name}", "another")
    assert kept.take(read.sha256) is None


def test_what_a_killed_run_left_goes_and_a_running_ones_stays(cache: Path) -> None:
    cache.mkdir()
    left, running = (cache / f".population-{n}.bin.{n}.tmp" for n in (1, 2))
    for path in (left, running):
        path.write_bytes(b"half")
    os.utime(left, (1e9, 1e9))
    load_population()
    assert not left.exists()
    assert running.exists()


def test_one_that_others_can_write_or_of_another_file_is_passed_over(cache: Path) -> None:
    read = load_population()
    (path,) = cache.iterdir()
    assert kept.take(read.sha256[:16] + "0" * 48) is None
    path.chmod(0o666)
    assert kept.take(read.sha256) is None


def test_a_changed_file_is_read_and_only_the_latest_are_kept(cache: Path, tmp_path: Path) -> None:
    read = load_population()
    path = tmp_path / "p.nc"
    for n in range(kept.MOST + 2):
        save_population(replace(read, name=f"no. {n}", sha256=""), path)
        assert load_population(path).name == f"no. {n}"
    assert len(list(cache.iterdir())) == kept.MOST


def test_no_cache_folder_is_no_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(tmp_path / "file" / "below"))
    assert load_population().n_draws > 0


def test_no_home_folder_is_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    # As for a user whom the system does not know, in a container or under cron.
    def nowhere() -> Path:
        raise RuntimeError("Could not determine home directory.")

    for name in ("MATURITY_MODEL_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", nowhere)
    assert load_population().n_draws > 0
