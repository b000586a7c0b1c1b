"""Simulated benches: physics served over real sockets and ptys."""

from benchlog.simulate.bench import SimulatedBench
from benchlog.simulate.ready_scenarios import DemoBench, demo_scenario
from benchlog.simulate.scenario import Scenario, Via

__all__ = ["DemoBench", "Scenario", "SimulatedBench", "Via", "demo_scenario"]
