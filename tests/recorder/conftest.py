"""What the recorder's tests share: plans on strangers' drivers, a database, a clock."""

import os
import sys
from pathlib import Path

import pytest

from benchlog.clock import HostClock
from benchlog.model import (
    Bench,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    RunPlan,
)

STRANGERS = Path(__file__).parent / "strangers"

PART = Part(
    id="quartz-16mhz-30ppm",
    title="16 MHz quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0),
)


@pytest.fixture(autouse=True)
def strangers(monkeypatch, tmp_path):
    """Install a stranger's package, here and in every process that is started."""
    before = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv(
        "PYTHONPATH", os.pathsep.join(filter(None, [str(STRANGERS), before]))
    )
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.syspath_prepend(str(STRANGERS))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)


@pytest.fixture
def clock():
    return HostClock()


@pytest.fixture
def database(tmp_path):
    return tmp_path / "bench.db"


@pytest.fixture
def plan_for(tmp_path):
    def make(driver, *, readings=20, max_s=20.0, purpose=Purpose.MEASURE, address=""):
        options = {"state": str(tmp_path / "state")}
        spec = InstrumentSpec(
            name="counter", driver=driver, address=address, options=options
        )
        position = PositionSpec(name="A", frequency="counter")
        return RunPlan(
            purpose=purpose,
            device="C-0001",
            part=PART,
            position="A",
            bench=Bench(
                name="strangers", instruments={"counter": spec}, positions=(position,)
            ),
            max_readings=readings,
            max_s=max_s,
        )

    return make
