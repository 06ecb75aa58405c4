"""Machine code is compiled once for all engine tests, in a folder of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from maturity_model.hmm import image

try:
    image.processor()
    collect_ignore = []
except image.Unusable:  # No block of code is laid out on such a machine.
    collect_ignore = ["test_image.py"]


@pytest.fixture(scope="session")
def kernel_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that the first process fills and later ones load from."""
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture(scope="session")
def compiled(kernel_cache: Path) -> tuple[Path, str]:
    """The folder once two processes have filled it at the same time, and the numbers."""
    from hmm.test_native import finish, names, start

    both = [start(kernel_cache), start(kernel_cache)]
    (first, needed), (second, _) = (finish(p) for p in both)
    assert needed
    assert first == second
    assert {f.name for f in kernel_cache.iterdir()} == names()
    return kernel_cache, first
