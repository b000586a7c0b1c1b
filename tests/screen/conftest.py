"""A database to look at, and a time zone that does not move the snapshots."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from screen.scenes import Stage


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.delenv("NO_COLOR", raising=False)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    stage = Stage(tmp_path / "bench.db")
    yield stage
    stage.close()
