"""How a counter turns an oscillator into a number: gate, time base, resolution."""

import math
import random
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.analysis.stability.counter_weight import phase_weights
from benchlog.model import CUT, ROUNDED, TWO_STAMPS
from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.physics.receiver import PulsedInput
from benchlog.simulate.physics.streaming import ROOM, GaplessStream, StreamSpec
from benchlog.simulate.physics.world import Signal, World
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

_FORESEEN_S: Final = 0.05  # our rule: see below
"""Gates up to this are worked out before they end: the answer is then ready in time,
and nothing that a person does could have mattered."""
_STAMPS: Final = 64  # our rule: as many as show the weight of an averaging counter
_FEWEST_STAMPS: Final = 4  # our rule: fewer have no middle to weigh more
_DAYS_PER_YEAR: Final = 365.25  # definition: the Julian year


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterSpec:
    """A frequency counter.

    Parameters
    ----------
    model, serial : str
        What it calls itself; the maker's field always says SIMULATED.
    timebase_ppm : float
        True offset of its time base; positive is fast, and reads low.
    timebase_ageing_ppm_per_year : float
        How that moves.
    warmup_ppm, warmup_s : float
        How far off it is when switched on, and the time constant of the warm-up.
    stated_ppm : float | None
        What its maker promises of the time base (for the bench file).
    resolution_s : float
        Single-shot time resolution of a reciprocal counter; 0 makes it a direct one
        that counts whole cycles.
    min_gate_s, max_gate_s, max_hz : float
        Its ranges; a gate outside is refused, a frequency above reads as overload.
    counting : str
        One of `COUNTING`.
    stamps_per_s : float
        How many stamps what averages takes in a second; 0: 64 in each gate.
    stamp_jitter_s : float
        White noise of each stamp, s rms; gates that follow each other share one.
    dead_time_s : float
        Between the end of a gate and the begin of the next.
    digits : str
        `rounded` or `cut`: what becomes of what is below the last digit.
    room : int
        Readings that its buffer holds when it streams.

    """

    model: str = "Bench Counter"
    serial: str = "SIM-0001"
    timebase_ppm: float = 0.0
    timebase_ageing_ppm_per_year: float = 0.0
    warmup_ppm: float = 0.0
    warmup_s: float = 600.0
    stated_ppm: float | None = 0.1
    resolution_s: float = 1e-9
    min_gate_s: float = 1e-4
    max_gate_s: float = 1000.0
    max_hz: float = 350e6
    counting: str = TWO_STAMPS
    stamps_per_s: float = 0.0
    stamp_jitter_s: float = 0.0
    dead_time_s: float = 0.0
    digits: str = ROUNDED
    room: int = ROOM

    def timebase_y(self, at_s: float) -> float:
        """Return the time base's fractional offset `at_s` after switching on."""
        years = at_s / (SECONDS_PER_DAY * _DAYS_PER_YEAR)
        warm = self.warmup_ppm * math.exp(-at_s / self.warmup_s)
        return (
            self.timebase_ppm + self.timebase_ageing_ppm_per_year * years + warm
        ) / 1e6


@dataclass(frozen=True, slots=True)
class InputSpec:
    """One input of a counter: which device is wired to it, through which divider."""

    device: str
    divider: float = 1.0


@dataclass(frozen=True, slots=True)
class InputSettings:
    """Settings of an input that decide whether there is anything to count."""

    coupling: str = "DC"
    impedance_ohm: float = 1e6
    low_pass: bool = False
    level_v: float | None = None  # None: automatic, the middle of the signal


@dataclass(frozen=True, slots=True)
class Count:
    """One gated result: what is shown (Hz), in units of `step_hz`, and the truth."""

    mono_ns: int
    hz: float
    step_hz: float
    true_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """An open gate: when it closes, and the phase the device had when it opened."""

    begin_ns: int
    end_ns: int
    gate_s: float
    device: Signal | None
    before_s: float
    divider: float
    low_pass_hz: float
    begin_error_s: float = 0.0


NO_SIGNAL_HZ: Final = math.nan
LOW_PASS_HZ: Final = 100e3  # common practice, no source: filters of counters


class Counter:
    """The measuring part of a counter; one gate at a time."""

    def __init__(
        self, spec: CounterSpec, inputs: dict[int, InputSpec], world: World, seed: str
    ) -> None:
        self.spec = spec
        self._inputs = inputs
        self._world = world
        self._rng = random.Random(seed)  # noqa: S311 - physics, no secret
        self._last_stamp: tuple[int, float] = (-1, 0.0)

    @property
    def first_input(self) -> int:
        """The input that an instrument without settings listens to."""
        return min(self._inputs)

    def begin(
        self,
        gate_s: float,
        which: int,
        front: InputSettings,
        begin_ns: int | None = None,
    ) -> Gate:
        """Open the gate now (or at `begin_ns`); `gate_s` in the counter's seconds."""
        if begin_ns is None:
            dead_ns = round(self.spec.dead_time_s * NS_PER_S)
            begin_ns = self._world.clock.mono_ns() + dead_ns
        since_ns = self._world.since_start_ns(begin_ns)
        y = self.spec.timebase_y(since_ns / NS_PER_S)
        end_ns = begin_ns + max(1, round(gate_s / (1 + y) * NS_PER_S))
        device = self._device(which, front)
        before_s = device.excess_s(since_ns) if device else 0.0
        divider = self._inputs[which].divider if device else 1.0
        low_pass_hz = LOW_PASS_HZ if front.low_pass else math.inf
        return Gate(
            begin_ns=begin_ns,
            end_ns=end_ns,
            gate_s=gate_s,
            device=device,
            before_s=before_s,
            divider=divider,
            low_pass_hz=low_pass_hz,
            begin_error_s=self._stamp_error_s(begin_ns),
        )

    def _stamp_error_s(self, at_ns: int) -> float:
        """Return the error of a stamp: that of the last one at the same instant."""
        if not self.spec.stamp_jitter_s:
            return 0.0
        if self._last_stamp[0] != at_ns:
            error_s = self._rng.gauss(0.0, self.spec.stamp_jitter_s)
            self._last_stamp = at_ns, error_s
        return self._last_stamp[1]

    def _stamps(self, gate_s: float) -> int:
        """Return how many stamps an averaging counter takes in a gate."""
        if not self.spec.stamps_per_s:
            return _STAMPS
        return max(_FEWEST_STAMPS, round(gate_s * self.spec.stamps_per_s))

    def _gained_s(self, gate: Gate, device: Signal) -> float:
        """Return the phase gained over a gate as the counter weighs its stamps."""
        inner = self._stamps(gate.gate_s) - 1
        if self.spec.counting == TWO_STAMPS or isinstance(device, PulsedInput):
            inner = 0
        at_ns = np.linspace(gate.begin_ns, gate.end_ns, inner + 2).round()
        since = [self._world.since_start_ns(int(one)) for one in at_ns[1:-1]]
        phase = [gate.before_s + gate.begin_error_s]
        phase += [
            device.excess_s(one) + self._rng.gauss(0.0, self.spec.stamp_jitter_s)
            for one in since
        ]
        end_s = device.excess_s(self._world.since_start_ns(gate.end_ns))
        phase.append(end_s + self._stamp_error_s(gate.end_ns))
        mode = self.spec.counting if inner else TWO_STAMPS
        return float(phase_weights(mode, inner + 1) @ np.array(phase))

    def finish(self, gate: Gate, wait: Patience) -> Count:
        """Wait until the gate closes and return the count. Raises AbandonedError."""
        if gate.device is None:
            wait.until(gate.end_ns)
            return Count(gate.end_ns, NO_SIGNAL_HZ, 0.0, None)
        true_s = (gate.end_ns - gate.begin_ns) / NS_PER_S
        if true_s > _FORESEEN_S:
            wait.until(gate.end_ns)
        gained_s = self._gained_s(gate, gate.device)
        hz = gate.device.mean_hz(gained_s, true_s) / gate.divider
        if hz <= 0:  # it was taken away within the gate
            wait.until(gate.end_ns)
            return Count(gate.end_ns, NO_SIGNAL_HZ, 0.0, None)
        begun_s = self._world.since_start_ns(gate.begin_ns) / NS_PER_S
        shown, step = self._shown(hz / (1 + self.spec.timebase_y(begun_s)), gate.gate_s)
        wait.until(gate.end_ns)
        if shown > self.spec.max_hz:
            shown = math.inf
        elif shown > gate.low_pass_hz:
            shown = NO_SIGNAL_HZ
        return Count(gate.end_ns, shown, step, hz)

    def stream(self, gate_s: float, which: int, front: InputSettings) -> GaplessStream:
        """Begin to count gate after gate, none apart from the one before."""
        since_s = self._world.since_start_ns(self._world.clock.mono_ns()) / NS_PER_S
        known = self._inputs.get(which)
        spec = StreamSpec(
            gate_s=gate_s,
            timebase_y=self.spec.timebase_y(since_s),
            resolution_s=self.spec.resolution_s,
            divider=known.divider if known else 1.0,
            room=self.spec.room,
        )
        seed = self._rng.getrandbits(32)
        return GaplessStream(
            spec, lambda: self._device(which, front), self._world, seed
        )

    def _device(self, which: int, front: InputSettings) -> Signal | None:
        """Return the device whose signal crosses the trigger level, if any."""
        if which not in self._inputs:
            return None
        name, world = self._inputs[which].device, self._world
        fed = None if name in world.unfed else world.devices.get(name)
        device = fed or world.signals.get(name)
        if device is None:
            return None
        loaded = 0.5 if front.impedance_ohm < 100 else 1.0
        low, high = device.spec.low_v * loaded, device.spec.high_v * loaded
        middle = (low + high) / 2
        if front.coupling == "AC":
            low, high, middle = low - middle, high - middle, 0.0
        level = middle if front.level_v is None else front.level_v
        return device if low < level < high else None

    def _shown(self, hz: float, gate_s: float) -> tuple[float, float]:
        """Quantise: whole cycles of the gate, or the interpolator's resolution."""
        if self.spec.resolution_s <= 0:
            step = 1.0 / gate_s
            return math.floor(hz * gate_s + self._rng.random()) * step, step
        finest = hz * self.spec.resolution_s / gate_s
        # Start and stop are each caught anywhere inside one step of the interpolator.
        hz += finest * (self._rng.random() - self._rng.random())
        step = 10.0 ** math.floor(math.log10(finest))
        whole = math.floor if self.spec.digits == CUT else round
        return whole(hz / step) * step, step
