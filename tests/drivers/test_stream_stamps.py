"""Times of a stream that go back from one block to the next are no times."""

import numpy as np
import pytest

from benchlog.clock import HostClock
from benchlog.driver_kit.streams.stream_time import StreamTime, TimesBackError
from benchlog.units import NS_PER_S

GATE_S = 1e-3


def placed(stream: StreamTime, first_s: float, came_s: float, *, drained: bool):
    times = first_s + GATE_S * np.arange(10)
    came_ns = int(came_s * NS_PER_S)
    return stream.placed(times, asked_ns=came_ns, came_ns=came_ns, drained=drained)


@pytest.mark.parametrize("drained", [True, False])
@pytest.mark.parametrize("first_s", [5.009, 5.0, 0.0, -1000.0])
def test_stamps_that_go_back_are_refused(first_s: float, drained: bool) -> None:
    """Readings got times 1 ns apart before, as each must be after the one before."""
    stream = StreamTime(HostClock(), GATE_S, None)
    placed(stream, 5.0, 100.0, drained=True)
    with pytest.raises(TimesBackError):
        placed(stream, first_s, 100.1, drained=drained)


def test_stamps_that_go_on_are_placed() -> None:
    stream = StreamTime(HostClock(), GATE_S, None)
    before, _ = placed(stream, 5.0, 100.0, drained=True)
    after, breaks = placed(stream, 5.010, 100.01, drained=True)
    assert np.diff([*before, *after]).tolist() == [GATE_S * NS_PER_S] * 19
    assert breaks == ()
