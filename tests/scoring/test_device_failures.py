"""What goes wrong on an accelerator is told in one line, with an exit code."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from scoring.scored import make, small_population

from maturity_model.cli import main
from maturity_model.scoring import score

pytestmark = pytest.mark.reference


@pytest.fixture(autouse=True)
def jax(need: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    need("pyarrow")
    monkeypatch.setenv("MATURITY_MODEL_JAX_CPU", "1")
    return need("jax")


def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What a run that fails says."""
    population = small_population(tmp_path / "p.nc")
    words = ["score", make(tmp_path), "--population", population, "--out", tmp_path / "out"]
    assert main([*map(str, words), "--device", "gpu", "--tanks-per-file", "4"]) == 2
    said = capsys.readouterr().err.strip()
    assert said.startswith("maturity-model: ")
    assert "\n" not in said
    return said


# As jaxlib 0.4 to 0.10 say it (from memory of their messages).
OUT_OF_MEMORY = (
    "RESOURCE_EXHAUSTED: Out of memory while trying to allocate 34359738368 bytes.\n"
    "BufferAssignment OOM Debugging.\nBufferAssignment stats:\n  parameter allocation: 1.0GiB"
)


def failing(error: Exception) -> Callable[..., None]:
    def fail(*args: object, **more: object) -> None:
        raise error

    return fail


def test_out_of_memory_says_what_to_do_and_keeps_what_is_done(
    tmp_path: Path,
    jax: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from maturity_model.fitting.jax import jax_filter

    real, calls = jax_filter.filter_tanks, []

    def second_fails(*args: object, **more: object) -> object:
        calls.append(1)
        if len(calls) == 2:
            raise jax.errors.JaxRuntimeError(OUT_OF_MEMORY)
        return real(*args, **more)

    monkeypatch.setattr(jax_filter, "filter_tanks", second_fails)
    said = run(tmp_path, capsys)
    assert "not enough free memory for 4 tanks x " in said
    assert "--tanks-per-file 2 or fewer, or --draws" in said
    assert "BufferAssignment" not in said
    # The part before it is there, and a run with more memory goes on from it.
    report = score(
        tmp_path / "pool", tmp_path / "out", population=tmp_path / "p.nc", device="gpu",
        part_tanks=4,
    )  # fmt: skip
    assert report.kept == 1


def test_other_failures_are_one_line_too(
    tmp_path: Path,
    jax: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from maturity_model.fitting.jax import jax_filter

    error = jax.errors.JaxRuntimeError("INTERNAL: CUDA_ERROR_ECC_UNCORRECTABLE\n  at some place")
    monkeypatch.setattr(jax_filter, "filter_tanks", failing(error))
    said = run(tmp_path, capsys)
    assert "JAX failed on the accelerator: INTERNAL: CUDA_ERROR_ECC_UNCORRECTABLE at" in said


def test_a_mistake_of_our_own_stays_a_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from maturity_model.fitting.jax import jax_filter

    monkeypatch.setattr(jax_filter, "filter_tanks", failing(TypeError("ours")))
    with pytest.raises(TypeError, match="ours"):
        score(make(tmp_path), tmp_path / "out", device="gpu")


@pytest.mark.parametrize("where", ["import", "devices"])
def test_an_accelerator_that_does_not_start(
    where: str,
    tmp_path: Path,
    jax: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    fail = failing(RuntimeError("Unable to initialize backend 'cuda':\n no driver"))
    if where == "devices":
        monkeypatch.setattr(jax, "devices", fail)
    else:
        real = importlib.import_module
        monkeypatch.setattr(
            importlib, "import_module", lambda name, *a: fail() if name == "jax" else real(name, *a)
        )
    assert "cannot start its accelerator: Unable to initialize" in run(tmp_path, capsys)
