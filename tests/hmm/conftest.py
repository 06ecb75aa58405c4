"""Machine code is compiled once for all engine tests, in a folder of its own."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def kernel_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that the first process fills and later ones load from."""
    return tmp_path_factory.mktemp("kernels")
