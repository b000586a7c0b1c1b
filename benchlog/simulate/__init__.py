"""Simulated benches: physics served over real sockets and ptys."""
