"""A database whose runs are evaluated."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from exchange.conftest import reader, writer
from screen.scenes import Stage

__all__ = ["reader", "stage", "writer"]


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    stage = Stage(tmp_path / "bench.db")
    yield stage
    stage.close()
