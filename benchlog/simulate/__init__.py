"""Simulated benches: physics served over real sockets and ptys."""

from benchlog.simulate.bench import SimulatedBench
from benchlog.simulate.scenario import Scenario

__all__ = ["Scenario", "SimulatedBench"]
