"""When pulses leave: of a receiver, of a divided device, of a divided time base."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Protocol

from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.physics.oscillator import Oscillator
from benchlog.simulate.physics.receiver import Receiver
from benchlog.simulate.physics.world import World
from benchlog.units import NS_PER_S

_EARLY_S: Final = 0.003  # a pulse is worked out this long before it leaves; our rule
_STEP_S: Final = 10.0  # a time base moves little in this time; our rule


@dataclass(frozen=True, slots=True)
class Pulse:
    """One pulse: when it leaves on the host's clock, and of which second it is.

    `fix` is whether its source vouches for it, `extra` that it is a doubled one.
    """

    mono_ns: int
    second: int
    fix: bool = True
    extra: bool = False


class PulseSource(Protocol):
    """A source of pulses on the bench."""

    def pulses(self, patience: Patience) -> Iterator[Pulse]:
        """Yield pulses from now on, each shortly before it leaves, for ever.

        Raises AbandonedError.
        """
        ...


class ReceiverTrain:
    """Pulses of a receiver. A second whose pulse is missing gives none."""

    def __init__(self, receiver: Receiver, world: World) -> None:
        self._receiver, self._world = receiver, world

    def pulses(self, patience: Patience) -> Iterator[Pulse]:
        """See `PulseSource`."""
        second = int(self._world.true_s(self._world.clock.mono_ns())) + 1
        while True:
            patience.until(self._world.mono_ns_at(second - _EARLY_S))
            tick = self._receiver.tick(second)
            for number, at_s in enumerate(tick.pulses_s):
                mono_ns = self._world.mono_ns_at(at_s)
                yield Pulse(mono_ns, second, tick.fix, extra=number > 0)
            second += 1


class DividedTrain:
    """Pulses of a clock source divided down to `pulse_hz`.

    The phase of a device at time t is t (1 + offset) + what it has gained beyond; a
    pulse leaves whenever that has reached the next multiple of the spacing.
    """

    def __init__(self, place: str, pulse_hz: float, world: World) -> None:
        self._place, self._world = place, world
        self._spacing_s = 1.0 / pulse_hz

    def pulses(self, patience: Patience) -> Iterator[Pulse]:
        """See `PulseSource`; silent while no device is there."""
        world = self._world
        at_s = world.true_s(world.clock.mono_ns())
        number = 0
        while True:
            device = world.devices.get(self._place)
            if device is None:
                patience.until(world.clock.mono_ns() + NS_PER_S // 5)
                at_s, number = world.true_s(world.clock.mono_ns()), 0
                continue
            if number == 0:
                number = int(self._phase_s(device, at_s) / self._spacing_s) + 1
            at_s = self._next(device, at_s, number, patience)
            yield Pulse(world.mono_ns_at(at_s), number)
            number += 1

    def _next(
        self, device: Oscillator, at_s: float, number: int, patience: Patience
    ) -> float:
        """Return when pulse `number` leaves; waits until shortly before."""
        offset = device.spec.offset_ppm * 1e-6
        wanted_s = number * self._spacing_s
        about_s = at_s + (wanted_s - self._phase_s(device, at_s)) / (1.0 + offset)
        patience.until(self._world.mono_ns_at(about_s - _EARLY_S))
        left_s = wanted_s - self._phase_s(device, about_s)
        return about_s + left_s / (1.0 + offset)

    @staticmethod
    def _phase_s(device: Oscillator, at_s: float) -> float:
        offset = device.spec.offset_ppm * 1e-6
        return at_s * (1.0 + offset) + device.excess_s(round(at_s * NS_PER_S))


class TimebaseTrain:
    """Pulses of a counter's time base, divided down to `pulse_hz`."""

    def __init__(self, counter: CounterSpec, pulse_hz: float, world: World) -> None:
        self._counter, self._world = counter, world
        self._spacing_s = 1.0 / pulse_hz
        self._guard = threading.Lock()
        self._at_s = self._phase_s = 0.0

    def pulses(self, patience: Patience) -> Iterator[Pulse]:
        """See `PulseSource`."""
        world = self._world
        at_s = world.true_s(world.clock.mono_ns())
        number = int(self._phase_at(at_s) / self._spacing_s) + 1
        while True:
            left_s = number * self._spacing_s - self._phase_at(at_s)
            at_s += left_s / (1.0 + self._counter.timebase_y(at_s))
            patience.until(world.mono_ns_at(at_s - _EARLY_S))
            yield Pulse(world.mono_ns_at(at_s), number)
            number += 1

    def _phase_at(self, at_s: float) -> float:
        """Return the time base's own time: the sum of its rate, in short steps."""
        with self._guard:
            while self._at_s < at_s:
                step_s = min(_STEP_S, at_s - self._at_s)
                y = self._counter.timebase_y(self._at_s + step_s / 2)
                self._phase_s += step_s * (1.0 + y)
                self._at_s += step_s
            back_s = at_s - self._at_s
            return self._phase_s + back_s * (1.0 + self._counter.timebase_y(at_s))
