"""The demo as a pool."""

from __future__ import annotations

from pathlib import Path

import pytest
from pooling.pooled_logs import DEMO, pool


@pytest.fixture
def demo_pool(tmp_path: Path) -> Path:
    """A pool of the demo that a test may change."""
    pool(tmp_path / "pool", DEMO)
    return tmp_path / "pool"
