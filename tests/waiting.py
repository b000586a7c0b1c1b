"""Waiting for something to come true, without keeping a core busy meanwhile."""

from collections.abc import Callable

from benchlog.clock import host_clock, host_deadline, host_sleep

LEAST_S, MOST_S = 0.01, 0.05
"""Between two looks; a test that waits may have to act within a gate."""
REST = 5.0
"""How much longer than a look the rest after it is.

Opening a database and reading it takes 5 ms of processor time: looking every 10 ms
took a third of a core from the benches that were waited for.
"""


def wait_for(true: Callable[[], object], within_s: float = 90.0) -> None:
    """Look until it is true; AssertionError when it is not within so many seconds."""
    limit, clock = host_deadline(within_s), host_clock()
    began_ns = clock.mono_ns()
    while not true():
        assert not limit.passed, "waited in vain"
        took_s = (clock.mono_ns() - began_ns) * 1e-9
        host_sleep(min(max(REST * took_s, LEAST_S), MOST_S))
        began_ns = clock.mono_ns()
