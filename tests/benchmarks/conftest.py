"""What all benchmarks share: locks of their own, and real time."""

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("BENCHLOG_TIME_SCALE", raising=False)
