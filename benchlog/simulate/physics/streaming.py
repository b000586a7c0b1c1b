"""A counter that measures gate after gate by itself, and the buffer it keeps them in.

Nothing is worked out until somebody fetches it: a gate has ended when the bench's clock
says so, and what it counted follows from the device's phase.
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.simulate.physics.world import Signal, World
from benchlog.units import NS_PER_S

ROOM: Final = 200_000  # our rule: two seconds at 100,000 readings a second
_LOOKS: Final = 16  # our rule: pieces of a fetch in which a device moves evenly

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSpec:
    """What a stream is of: its gate in the counter's seconds, its interpolator."""

    gate_s: float
    timebase_y: float
    resolution_s: float
    divider: float
    room: int


@dataclass(frozen=True, slots=True)
class Fetched:
    """Readings in Hz, and the end of each gate in the counter's seconds since begun.

    NaN is a gate without a signal; `true_hz` is the mean of the last look, if any.
    """

    hz: Real
    stamps_s: Real
    end_ns: int
    true_hz: float | None


class GaplessStream:
    """Counts from when it was made; when the buffer is full, new readings are lost."""

    def __init__(
        self,
        spec: StreamSpec,
        device: Callable[[], Signal | None],
        world: World,
        seed: int,
    ) -> None:
        self._spec, self._device, self._world = spec, device, world
        self._began_ns = world.clock.mono_ns()
        self._rng = np.random.default_rng(seed)
        self._held: deque[tuple[int, int]] = deque()
        self._seen = 0
        self._edge: tuple[int, float] = (-1, 0.0)
        self.lost = 0

    @property
    def waiting(self) -> int:
        """How many readings are in the buffer by now."""
        since_ns = self._world.clock.mono_ns() - self._began_ns
        ended = math.floor(since_ns / self._gate_ns)
        held = sum(end - begin for begin, end in self._held)
        kept = min(ended - self._seen, self._spec.room - held)
        if kept > 0:
            self._held.append((self._seen, self._seen + kept))
        self.lost += max(0, ended - self._seen - max(0, kept))
        self._seen = max(self._seen, ended)
        return held + max(0, kept)

    def fetch(self, most: int) -> Fetched:
        """Return the oldest readings that wait, `most` at most, and forget them."""
        left, parts = min(most, self.waiting), []
        while left > 0:
            begin, end = self._held.popleft()
            stop = min(end, begin + left)
            if stop < end:
                self._held.appendleft((stop, end))
            parts.append(self._counted(begin, stop))
            left -= stop - begin
        if not parts:
            return Fetched(np.empty(0), np.empty(0), self._began_ns, None)
        hz = np.concatenate([hz for hz, _ in parts])
        stamps = np.concatenate([stamps for _, stamps in parts])
        end_ns = self._began_ns + round(stamps[-1] / self._spec.gate_s * self._gate_ns)
        true_hz = float(np.mean(hz)) if np.isfinite(hz).all() else None
        return Fetched(hz, stamps, end_ns, true_hz)

    @property
    def _gate_ns(self) -> float:
        """The gate on the bench's clock: a fast time base ends it early."""
        return self._spec.gate_s / (1 + self._spec.timebase_y) * NS_PER_S

    def _counted(self, begin: int, end: int) -> tuple[Real, Real]:
        """Return what the gates from number `begin` on counted, and their stamps."""
        edges = np.arange(begin, end + 1)
        stamps = edges[1:].astype(np.float64) * self._spec.gate_s
        device = self._device()
        if device is None:
            return np.full(end - begin, np.nan), stamps
        looks = np.unique(np.linspace(begin, end, _LOOKS + 1).round().astype(int))
        at_ns = [self._began_ns + round(int(one) * self._gate_ns) for one in looks]
        since = [self._world.since_start_ns(one) for one in at_ns]
        phase = np.array([device.excess_s(one) for one in since])
        true_s = self._gate_ns / NS_PER_S
        gained = np.diff(np.interp(edges, looks, phase)) / true_s
        hz: Real = device.mean_hz(0.0, 1.0) + device.spec.nominal_hz * gained
        hz /= self._spec.divider * (1 + self._spec.timebase_y)
        hz *= 1 + np.diff(self._caught(edges)) / self._spec.gate_s
        return hz, stamps

    def _caught(self, edges: NDArray[np.int64]) -> Real:
        """Return how late each edge was caught: two gates share the one between."""
        late = self._rng.uniform(0.0, self._spec.resolution_s, len(edges))
        if self._edge[0] == edges[0]:
            late[0] = self._edge[1]
        self._edge = int(edges[-1]), float(late[-1])
        return late
