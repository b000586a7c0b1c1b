"""Instruments that only talk: one line after each gate, in a stated form.

The forms are those of the line dialects that ship with benchlog; gates follow each
other without dead time, as in a counter that is never asked.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Protocol

from benchlog.errors import NotFoundError
from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.instruments.faults import (
    FACTOR,
    NO_SIGNAL,
    OVERLOAD,
    Faults,
)
from benchlog.simulate.instruments.scpi_meters import Meter
from benchlog.simulate.physics.counting import Count, Counter, InputSettings
from benchlog.simulate.served_log import ServedValue
from benchlog.units import NS_PER_S


class TalkOnlyInstrument(Protocol):
    """Whatever gives a value now and then, by itself."""

    def values(self, patience: Patience) -> Iterator[ServedValue]:
        """Yield values for ever. Raises AbandonedError."""
        ...


@dataclass(frozen=True, slots=True)
class LineForm:
    """How values become lines: the text, and what stands for no value."""

    text: Callable[[float, float, float], str]  # hz, step_hz, gate_s
    no_signal: str
    overload: str


def decimals(step: float) -> int:
    """Return how many decimals show `step`."""
    return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0


# definition: the line dialects
FORMS: Final = {
    "line-hz": LineForm(lambda hz, step, _: f"{hz:.{decimals(step)}f}", "----", "OL"),
    "line-khz": LineForm(
        lambda hz, step, _: f"{hz / 1e3:.{decimals(step / 1e3)}f} kHz",
        "---- kHz",
        "---- kHz",
    ),
    "line-counts": LineForm(lambda hz, _, gate_s: str(round(hz * gate_s)), "0", "0"),
}
"""Line forms of counters, by the name of the dialect that reads them."""


def line_form(name: str) -> LineForm:
    """Return a form. Raises NotFoundError with near matches."""
    if name not in FORMS:
        raise NotFoundError("line form", name, FORMS)
    return FORMS[name]


class TalkingCounter:
    """A counter that counts without pause and says each result."""

    def __init__(
        self, name: str, counter: Counter, faults: Faults, form: LineForm, gate_s: float
    ) -> None:
        self._name, self._counter, self._faults = name, counter, faults
        self._form, self._gate_s = form, gate_s

    def values(self, patience: Patience) -> Iterator[ServedValue]:
        """See Talker."""
        begin_ns = patience.clock.mono_ns()
        which = self._counter.first_input
        while True:
            patience.breathe(self._gate_s)
            gate = self._counter.begin(self._gate_s, which, InputSettings(), begin_ns)
            count = self._counter.finish(gate, patience)
            begin_ns = self._next(count.mono_ns, patience.clock.mono_ns())
            yield self._said(count)

    def _next(self, ended_ns: int, now_ns: int) -> int:
        """Go on where the last gate ended, unless that is too long ago to catch up."""
        dead_ns = round(self._counter.spec.dead_time_s * NS_PER_S)
        late = now_ns - ended_ns > self._gate_s * NS_PER_S
        return (now_ns if late else ended_ns) + dead_ns

    def _said(self, count: Count) -> ServedValue:
        form = self._form
        fault, hz = "", count.hz
        if self._faults.use_up(NO_SIGNAL):
            fault, hz = NO_SIGNAL, math.nan
        elif self._faults.use_up(OVERLOAD):
            fault, hz = OVERLOAD, math.inf
        elif factor := self._faults.use_up(FACTOR):
            fault, hz = FACTOR, hz * factor.number
        if math.isnan(hz):
            text = form.no_signal
        elif math.isinf(hz):
            text = form.overload
        else:
            text = form.text(hz, count.step_hz, self._gate_s)
        return ServedValue(
            instrument=self._name,
            mono_ns=count.mono_ns,
            text=text,
            true_hz=count.true_hz,
            fault=fault,
        )


class TalkingMeter:
    """A thermometer that says its value now and then: `23.41 C`."""

    def __init__(
        self, name: str, meter: Meter, faults: Faults, period_s: float, unit: str
    ) -> None:
        self._name, self._meter, self._faults = name, meter, faults
        self._period_s, self._unit = period_s, unit

    def values(self, patience: Patience) -> Iterator[ServedValue]:
        """See Talker."""
        clock = patience.clock
        due_ns = clock.mono_ns()
        while True:
            patience.breathe(self._period_s)
            due_ns = max(due_ns + round(self._period_s * NS_PER_S), clock.mono_ns())
            patience.until(due_ns)
            places = decimals(self._meter.spec.step)
            text, fault = f"{self._meter.value():.{places}f} {self._unit}", ""
            if self._faults.use_up(NO_SIGNAL):
                text, fault = "----", NO_SIGNAL
            yield ServedValue(
                instrument=self._name,
                mono_ns=due_ns,
                text=text,
                true_hz=None,
                fault=fault,
            )
