"""A database to look at, and a time zone that does not move the snapshots."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from screen.looking import draw_when_looked_at
from screen.scenes import Stage

from benchlog.analysis.stats import RunStats
from benchlog.analysis.uncertainty import MeanUncertainty


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.delenv("NO_COLOR", raising=False)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(autouse=True)
def _quick_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Screens count their ticks: what is looked at every 20 of them comes sooner."""
    for module in ("live", "overview"):
        monkeypatch.setattr(f"benchlog.screen.{module}._TICK_S", 0.05)


@pytest.fixture(autouse=True)
def _drawn_when_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    draw_when_looked_at(monkeypatch)


@pytest.fixture
def plain_statistics(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take s/sqrt(n) for the scatter's part of U, where looks are compared exactly.

    How the noise of a run is fitted is refined and tested elsewhere; a snapshot is
    about where a figure stands, not about its last digit.
    """

    def of_white_noise(stats: RunStats) -> MeanUncertainty | None:
        if stats.n < 3 or stats.jitter_ppm_rms is None:
            return None
        u_ppm = stats.jitter_ppm_rms / stats.n**0.5
        return MeanUncertainty(
            u_ppm, stats.n - 1.0, "white noise", (0.0, u_ppm**2, 0, 0)
        )

    monkeypatch.setattr(
        "benchlog.verdict.run.reading_judge.mean_uncertainty", of_white_noise
    )


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    stage = Stage(tmp_path / "bench.db")
    yield stage
    stage.close()
