"""Cached machine code: the same numbers as numba's, and numba's whenever it cannot be used."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from first_runs import NUMBERS, FirstRuns, numbers, start

from maturity_model.hmm import native
from maturity_model.hmm.staged import StagedChain

ROOT = Path(native.__file__).parents[2]


def run(cache: Path, script: str = NUMBERS, **env: str) -> tuple[str, bool]:
    return numbers(start(cache, script, **env))


@pytest.fixture(scope="session")
def compiled(all_first_runs: FirstRuns) -> tuple[Path, str]:
    """A folder that two processes have filled at the same time, and the numbers."""
    folder = all_first_runs.shared
    assert [f.name for f in folder.iterdir()] == [f"kernels-{key()[:16]}.bin"]
    return folder, all_first_runs.numbers


def key() -> str:
    import llvmlite.binding as llvm

    return native._key(llvm)


def copied(source: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o700)
    target = folder / source.name
    target.write_bytes(source.read_bytes())
    target.chmod(0o600)
    return target


@pytest.fixture
def own_copy(compiled: tuple[Path, str], tmp_path: Path) -> Path:
    """A cache file that a test may damage."""
    (source,) = compiled[0].glob("kernels-*")
    return copied(source, tmp_path)


def load(path: Path) -> dict[str, Callable[..., None]]:
    import llvmlite.binding as llvm

    for step in ("initialize_native_target", "initialize_native_asmprinter"):
        getattr(llvm, step, lambda: None)()
    return native._link(native._read(path, key()), llvm)


def test_later_processes_get_the_same_numbers_without_numba(compiled: tuple[Path, str]) -> None:
    folder, numbers = compiled
    assert run(folder) == (numbers, False)


@pytest.mark.slow
def test_numba_on_request(compiled: tuple[Path, str], tmp_path: Path) -> None:
    assert run(tmp_path / "new", MATURITY_MODEL_NATIVE="0") == (compiled[1], True)
    assert not (tmp_path / "new").exists()


def smallest(spec: str) -> list[Any]:
    """Arguments of the kinds asked for, one element each way."""
    scalars = {"n": 2, "x": 1.0}
    return [
        scalars[k] if k in scalars
        else np.zeros((1,) * int(k[1]), dtype=np.float64 if k[0] == "f" else np.int64)
        for k in spec.split()
    ]  # fmt: skip


def kernel_arguments(rng: np.random.Generator) -> dict[str, list[Any]]:
    """Arguments of the kernels of filter, risk and tables, outputs among them."""
    (k, r), (p, q, t, d, c, h) = StagedChain(4, 3), (2, 3, 7, 5, 4, 6)
    s, m = k * r, 4 * k + 3
    codes, starts = rng.integers(0, c, 9), np.array([0, 2, 2, 3, 5, 6, 8, 9])
    moves, emission = rng.random((t - 1, m, p, d)) / m, rng.random((t, s, q, d))
    filtered, scale = rng.random((p, q, t, s, d)), 0.5 + rng.random((p, q, t, d))
    low = rng.normal(size=c)
    return {
        "filter_lanes": [
            # Numbers may be NumPy's.
            rng.random((p, q, s, d)), moves, emission, np.int64(k), np.int32(r),
            np.zeros((p, q, t, s, d)),
            np.zeros((p, q, t, d)), np.zeros((k, d)),
        ],
        "smooth_lanes": [
            moves, emission, filtered, scale, rng.random((p, q, d)), k, r, np.zeros((t, s, d)),
            np.zeros((t, d)), np.zeros((2 * s + 1, d)),
        ],
        "mix_nodes": [filtered, rng.random((p, q, t, d)), np.zeros((t, s, d))],
        "downward_risk": [
            filtered, rng.random((p, q, t, d)), rng.random((t, k, p, d)),
            rng.random((t, h, k, d)), rng.random((t, h, k, d)), rng.random((t, h, k, d)),
            np.array([2, h]), r, np.zeros((t, 2, d)), np.zeros((h, m, 1, d)),
            np.zeros((2 * s + k + 1, d)),
        ],
        "move_lanes": [
            rng.random((t, k, p, d)), rng.random((t, 1, d)), rng.random((t, k, d)),
            rng.random((t, k, d)), np.zeros((t - 1, m, p, d)),
        ],
        "multiply_codes": [starts, codes, rng.random((c, s, q, d)), rng.random((t, s, q, d))],
        "interval_table": [
            low, low + 1, rng.normal(size=(c, s, d)), 0.5 + rng.random((c, s, d)),
            rng.normal(size=(c, d)), 3 + rng.random((c, d)), rng.random(d) / 9, 0.6,
            np.zeros((c, s, d)), np.zeros(d),
        ],
        "bernoulli_table": [
            rng.normal(size=(c, s, d)), rng.normal(size=(c, q, d)), np.array([1.0, -1, 1, -1]),
            0.6, np.zeros((c, s, q, d)),
        ],
    }  # fmt: skip


@pytest.mark.slow
def test_each_kernel_equals_numbas(compiled: tuple[Path, str]) -> None:
    (path,) = compiled[0].glob("kernels-*")
    loaded = load(path)
    assert loaded.keys() == native.KERNELS.keys()
    for name, arguments in kernel_arguments(np.random.default_rng(1)).items():
        other = [a.copy() if isinstance(a, np.ndarray) else a for a in arguments]
        before = [a.copy() if isinstance(a, np.ndarray) else a for a in arguments]
        loaded[name](*arguments)
        native._numba_kernel(name)(*other)
        changed = 0
        for was, a, b in zip(before, arguments, other, strict=True):
            np.testing.assert_allclose(a, b, rtol=1e-15, atol=1e-300, err_msg=name)
            changed += isinstance(a, np.ndarray) and not np.array_equal(was, a)
        assert changed, name


@pytest.mark.parametrize("name", native.KERNELS)
def test_arrays_of_another_kind_are_refused(compiled: tuple[Path, str], name: str) -> None:
    (path,) = compiled[0].glob("kernels-*")
    loaded = load(path)[name]
    numba = native._checked(lambda *_: pytest.fail("called"), native.KERNELS[name])
    good = smallest(native.KERNELS[name])
    arrays = [i for i, a in enumerate(good) if isinstance(a, np.ndarray)]
    for function in (loaded, numba):
        with pytest.raises(TypeError, match="arguments are needed"):
            function(*good[:-1])
        for i in arrays:
            wide = np.zeros((2,) * good[i].ndim + (2,), dtype=good[i].dtype)
            for bad in (good[i].astype(np.float32), good[i][None], wide[..., 0]):
                with pytest.raises(TypeError, match="C-ordered array"):
                    function(*good[:i], bad, *good[i + 1 :])


def flip_a_bit(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def nothing() -> dict[str, Any]:
    return dict.fromkeys(native.KERNELS, native._ObjectCode("symbol", b"code", []))


def with_all(**changes: Any) -> Callable[[Path], None]:
    """Something else about the code of every kernel."""

    def damage(path: Path) -> None:
        objects = native._read(path, key())
        native._write(path, key(), {n: o._replace(**changes) for n, o in objects.items()})

    return damage


DAMAGE: dict[str, Callable[[Path], object]] = {
    "truncated": lambda path: path.write_bytes(path.read_bytes()[:-100]),
    "empty": lambda path: path.write_bytes(b""),
    "a bit flipped": flip_a_bit,
    "of another key": lambda path: native._write(path, "another", native._read(path, key())),
    "without kernels": lambda path: native._write(path, key(), {}),
    "unknown symbols": with_all(needs=["no_such_function"]),
    "symbols misnamed": with_all(symbol="no_such_kernel"),
    "writable by others": lambda path: path.chmod(0o622),
    "in an open folder": lambda path: path.parent.chmod(0o777),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_cache_is_replaced(
    own_copy: Path, damage: Callable[[Path], object], monkeypatch: pytest.MonkeyPatch
) -> None:
    load(own_copy)
    damage(own_copy)
    with pytest.raises(Exception):  # noqa: B017 - whatever it is, it must not be run
        load(own_copy)
    # Without compiling all again: numba is asked, and its code is written.
    asked = []
    (good,) = own_copy.parent.iterdir()

    def compile_all() -> tuple[dict[str, Any], dict[str, Any]]:
        asked.append(True)
        return {"numba's": len}, nothing()

    monkeypatch.setattr(native, "_compile", compile_all)
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(own_copy.parent))
    assert native.load_kernels() == {"numba's": len}
    assert asked == [True]
    own_copy.parent.chmod(0o700)
    assert native._read(good, key()).keys() == native.KERNELS.keys()
    assert good.stat().st_mode & 0o077 == 0


def test_windows_uses_numbas_own_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(native, "_numba_kernel", lambda name: len)
    monkeypatch.setattr(native, "_compile", lambda: pytest.fail("compiled"))
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(tmp_path))
    monkeypatch.setattr("sys.platform", "win32")
    assert native.load_kernels().keys() == native.KERNELS.keys()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A file where the folder should be: fails for root too, whom permissions do not stop.
    place = tmp_path / "file"
    place.write_text("in the way")
    monkeypatch.setattr(native, "_compile", lambda: ({}, nothing()))
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(place))
    assert native.load_kernels() == {}
    assert place.read_text() == "in the way"


def test_no_llvmlite(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "llvmlite.binding", None)
    monkeypatch.setattr(native, "_compile", lambda: ({"a": len}, {}))
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(tmp_path))
    assert native.load_kernels() == {"a": len}
    assert list(tmp_path.iterdir()) == []


def test_the_key_knows_source_and_processor(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    before = key()
    assert before == key()
    with monkeypatch.context() as patch:
        patch.setenv("NUMBA_CPU_NAME", "another")
        assert key() != before
    for i, source in enumerate(native._SOURCES):
        changed = tmp_path / source.name
        changed.write_bytes(source.read_bytes() + b"\n")
        sources = [*native._SOURCES]
        sources[i] = changed
        with monkeypatch.context() as patch:
            patch.setattr(native, "_SOURCES", sources)
            assert key() != before
    assert before == key()


def test_old_files_are_cleared_and_others_left(tmp_path: Path) -> None:
    old, recent, foreign = (tmp_path / n for n in ("kernels-a.bin", "kernels-b.bin", "mine.bin"))
    for path in (old, recent, foreign):
        path.write_bytes(b"x")
    for path in (old, foreign):
        os.utime(path, (1e9, 1e9))
    native._write(tmp_path / "kernels-c.bin", "key", {})
    assert {p.name for p in tmp_path.iterdir()} == {"kernels-b.bin", "kernels-c.bin", "mine.bin"}


def test_cache_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("MATURITY_MODEL_CACHE", str(tmp_path / "here"))
    assert native.cache_folder() == tmp_path / "here"
    monkeypatch.delenv("MATURITY_MODEL_CACHE")
    if sys.platform != "win32":
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
        assert native.cache_folder() == tmp_path / "maturity-model"
        monkeypatch.setenv("HOME", str(tmp_path))
        monkeypatch.setenv("XDG_CACHE_HOME", "")
        assert native.cache_folder() == tmp_path / ".cache" / "maturity-model"
        monkeypatch.delenv("XDG_CACHE_HOME")
        assert native.cache_folder() == tmp_path / ".cache" / "maturity-model"


def test_other_names_are_not_kernels() -> None:
    with pytest.raises(AttributeError, match="no attribute 'exp_lanes'"):
        _ = native.exp_lanes
