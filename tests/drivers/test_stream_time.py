"""When the readings of a stream were taken: by its gates or stamps, within what can be.

The counter's stream is simulated by its definition: gates without a pause from a moment
that the host does not know, seen through delays of line and computer.
"""

import numpy as np
import pytest
from seeds import seeded_generator

from benchlog.clock import HostClock
from benchlog.driver_kit.streams.stream_time import JUMP_S, StreamTime, TimesAheadError

GATE_S = 1e-4
GATE_NS = 100_000
MS = 1_000_000


class Stream:
    """A counter that began `late_ns` after it was told, its clock off by `drift`."""

    def __init__(self, seed: int, *, late_ns: int = 0, drift: float = 0.0) -> None:
        self.rng = seeded_generator([7, seed])
        self.told_ns = 10**12
        self.begun_ns, self.gate_ns = self.told_ns + late_ns, GATE_NS * (1 + drift)
        self.given, self.now_ns = 0, float(self.told_ns)

    def fetch(self, after_ns: int, most: int = 10**9):
        """Ask after a while: how many came, when, whether that is all."""
        self.now_ns += after_ns
        asked = self.now_ns
        self.now_ns += self.rng.exponential(0.2) * MS  # to the counter
        ended = int((self.now_ns - self.begun_ns) / self.gate_ns)
        count = max(0, min(ended - self.given, most))
        self.now_ns += self.rng.exponential(0.5) * MS  # and back
        self.given += count
        return count, {
            "asked_ns": int(asked),
            "came_ns": int(self.now_ns),
            "drained": count < most,
        }

    def true_ns(self):
        return self.begun_ns + np.arange(1, self.given + 1) * self.gate_ns


@pytest.mark.parametrize("drift", [0.0, 1e-4, -1e-4])
def test_counted_gates_are_placed_within_the_delays(drift) -> None:
    stream = Stream(1, late_ns=3 * MS, drift=drift)
    time = StreamTime(HostClock(), GATE_S, stream.told_ns)
    placed = []
    for _ in range(400):
        count, when = stream.fetch(int(stream.rng.uniform(20, 80)) * MS)
        times, breaks = time.placed(time.counted(count), **when)
        assert breaks == () and times[-1] <= when["came_ns"]
        placed.append(times)
    times = np.concatenate(placed)
    assert np.all(np.diff(times) > 0)
    away_ms = (times - stream.true_ns()) / MS
    # late by what began late at most, never later than the shortest answer allows
    assert away_ms.min() > -4.0 and away_ms.max() < 2.0


def test_delays_move_no_reading() -> None:
    stream = Stream(2)
    time = StreamTime(HostClock(), GATE_S, stream.told_ns)
    count, when = stream.fetch(50 * MS)
    time.placed(time.counted(count), **when)
    for _ in range(50):
        count, when = stream.fetch(int(stream.rng.exponential(40) + 5) * MS)
        when["came_ns"] += int(stream.rng.exponential(20) * MS)  # a busy computer
        stream.now_ns = when["came_ns"]
        times, _ = time.placed(time.counted(count), **when)
        assert np.all(np.abs(np.diff(times) - GATE_NS) <= 1)


def test_readings_that_miss_without_a_word_are_a_break() -> None:
    time = StreamTime(HostClock(), GATE_S, 10**12)
    when = {"asked_ns": 10**12 + 50 * MS, "came_ns": 10**12 + 51 * MS, "drained": True}
    assert time.placed(time.counted(500), **when)[1] == ()
    later = int(JUMP_S * 1e9) + 60 * MS
    when = {name: value + later for name, value in when.items() if name != "drained"}
    times, breaks = time.placed(time.counted(500), **when, drained=True)
    assert breaks == (0,)
    assert when["asked_ns"] - 3 * GATE_NS <= times[-1] <= when["came_ns"]


def test_stamps_that_jump_are_breaks_where_they_jump() -> None:
    time = StreamTime(HostClock(), GATE_S, None)
    came = 10**12 + 10**9
    own = np.array([1, 2, 3, 5, 6, 7, 11]) * GATE_S
    when = {"asked_ns": came - MS, "came_ns": came, "drained": True}
    times, breaks = time.placed(own, **when)
    assert breaks == (3, 6) and times[-1] == came
    assert np.diff(times).tolist() == [GATE_NS * n for n in (1, 1, 2, 1, 1, 4)]
    more = np.array([12, 14]) * GATE_S
    when = {name: at + MS for name, at in when.items() if name != "drained"}
    assert time.placed(more, **when, drained=True)[1] == (1,)


def test_a_counter_that_rests_between_gates_has_its_own_spacing() -> None:
    time = StreamTime(HostClock(), GATE_S, None)
    own = np.arange(1, 20) * 3 * GATE_S
    when = {"asked_ns": 10**12, "came_ns": 10**12 + MS, "drained": True}
    assert time.placed(own, **when)[1] == ()


def test_times_to_come_are_an_error() -> None:
    time = StreamTime(HostClock(), GATE_S, 10**12)
    when = {"asked_ns": 10**12 + MS, "came_ns": 10**12 + 2 * MS, "drained": True}
    with pytest.raises(TimesAheadError) as caught:
        time.placed(time.counted(20_000), **when)
    assert 1.9 < caught.value.ahead_s < 2.0


def test_a_full_block_tells_nothing_of_how_late_it_is() -> None:
    """What waits behind it is not known: only one that had all bounds its time."""
    time = StreamTime(HostClock(), GATE_S, 10**12)
    when = {"asked_ns": 10**12 + 10**10, "came_ns": 10**12 + 10**10 + MS}
    times, breaks = time.placed(time.counted(100), **when, drained=False)
    assert breaks == () and times[0] == 10**12 + GATE_NS
