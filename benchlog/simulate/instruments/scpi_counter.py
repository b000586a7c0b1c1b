"""A simulated counter's SCPI side: the standard's tree, settings, numbers as text."""

import math
from dataclasses import dataclass, replace
from typing import Final

from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.instruments.faults import (
    FACTOR,
    NO_SIGNAL,
    OVERLOAD,
    REFUSE_GATE,
    Faults,
)
from benchlog.simulate.instruments.scpi_device import Call, Command, ScpiDevice
from benchlog.simulate.instruments.scpi_streaming import StreamCommands
from benchlog.simulate.instruments.scpi_syntax import (
    ScpiError,
    boolean,
    channel,
    numeric,
    string,
    word,
)
from benchlog.simulate.physics.counting import (
    Count,
    Counter,
    Gate,
    InputSettings,
)
from benchlog.simulate.physics.streaming import GaplessStream
from benchlog.simulate.served_log import ServedValue

NOT_A_NUMBER: Final = "9.91E+37"
INFINITY: Final = "9.9E+37"
_INPUTS: Final = (1, 2)  # our rule: as many as benches need
_FUNCTIONS: Final = ("FREQuency", "PERiod")
_LEVEL_V: Final = (-5.0, 5.0, 0.0)  # our rule: least, most and preset


@dataclass(frozen=True, slots=True)
class Setting:
    """What *RST resets."""

    function: str = "FREQ"
    which: int = 1
    gate_s: float = 0.1
    oscillator: str = "INT"


class SimulatedScpiCounter(ScpiDevice):
    """The command interpreter of a counter."""

    def __init__(self, name: str, counter: Counter, faults: Faults) -> None:
        spec = counter.spec
        self._streaming = StreamCommands(name, self._begin_stream)
        super().__init__(f"SIMULATED,{spec.model},{spec.serial},1.0")
        self._name, self._counter, self._faults = name, counter, faults
        self._setting = Setting()
        self._fronts = {which: InputSettings() for which in _INPUTS}
        self._open: Gate | None = None
        self._last: str | None = None

    def reset(self) -> None:
        """Go to the settings after *RST."""
        self._streaming.reset()
        self._setting = Setting()
        self._fronts = {which: InputSettings() for which in _INPUTS}
        self._abort(None)

    def settle(self, patience: Patience) -> None:
        """Finish a measurement that INITiate has begun."""
        if self._open is not None:
            self._finish(self._open, Call((), patience))

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        own = (*self._measuring(), *self._settings(), *self._input_commands())
        return (*own, *self._streaming.commands())

    def _measuring(self) -> tuple[Command, ...]:
        chosen = "[:SCALar][:VOLTage]"
        return (
            Command(f"CONFigure{chosen}:FREQuency", self._configure, most=3),
            Command(f"CONFigure{chosen}:PERiod", self._configure_period, most=3),
            Command("CONFigure?", self._configured),
            Command(f"MEASure{chosen}:FREQuency?", self._measure_frequency, most=3),
            Command(f"MEASure{chosen}:PERiod?", self._measure_period, most=3),
            Command("READ?", self._read),
            Command("INITiate[:IMMediate]", self._initiate),
            Command("FETCh?", self._fetch),
            Command("ABORt", self._abort),
        )

    def _settings(self) -> tuple[Command, ...]:
        gates = (
            "[SENSe:]FREQuency:APERture",
            "[SENSe:]PERiod:APERture",
            "[SENSe:]FREQuency:GATE:TIME",
        )
        return (
            *(Command(gate, self._set_gate, 1, 1) for gate in gates),
            *(Command(gate + "?", self._get_gate, most=1) for gate in gates),
            Command("[SENSe:]FUNCtion[:ON]", self._set_function, 1, 1),
            Command("[SENSe:]FUNCtion[:ON]?", self._get_function),
            Command("[SENSe:]ROSCillator:SOURce", self._set_reference, 1, 1),
            Command("[SENSe:]ROSCillator:SOURce?", lambda _: self._setting.oscillator),
        )

    def _input_commands(self) -> tuple[Command, ...]:
        levels = ("INPut#:LEVel[:ABSolute]", "[SENSe:]EVENt#:LEVel[:ABSolute]")
        return (
            Command("INPut#:COUPling", self._set_coupling, 1, 1),
            Command("INPut#:COUPling?", lambda c: self._front(c).coupling),
            Command("INPut#:IMPedance", self._set_impedance, 1, 1),
            Command("INPut#:IMPedance?", lambda c: _nr3(self._front(c).impedance_ohm)),
            Command("INPut#:FILTer[:LPASs][:STATe]", self._set_filter, 1, 1),
            Command(
                "INPut#:FILTer[:LPASs][:STATe]?",
                lambda c: str(int(self._front(c).low_pass)),
            ),
            *(Command(level, self._set_level, 1, 1) for level in levels),
            *(Command(level + "?", self._get_level) for level in levels),
            Command("TRIGger:LEVel", self._set_trigger, 1, 1),
            Command("TRIGger:LEVel?", self._get_trigger),
            Command("INPut#:LEVel:AUTO", self._set_auto, 1, 1),
            Command(
                "INPut#:LEVel:AUTO?", lambda c: str(int(self._front(c).level_v is None))
            ),
        )

    # --- measuring -------------------------------------------------------------

    def _configure(self, call: Call) -> None:
        self._choose("FREQ", call)

    def _configure_period(self, call: Call) -> None:
        self._choose("PER", call)

    def _measure_frequency(self, call: Call) -> str:
        self._choose("FREQ", call)
        return self._read(call)

    def _measure_period(self, call: Call) -> str:
        self._choose("PER", call)
        return self._read(call)

    def _choose(self, function: str, call: Call) -> None:
        """CONFigure: [expected [, resolution]] [, (@channel)]."""
        which = 1
        for param in call.params:
            if param.startswith("("):
                which = _input(channel(param))
            else:
                numeric(param, "HZ" if function == "FREQ" else "S", (0.0, 1e12, 0.0))
        self._abort(call)
        self._setting = replace(self._setting, function=function, which=which)

    def _configured(self, _call: Call) -> str:
        return f'"{self._setting.function} (@{self._setting.which})"'

    def _read(self, call: Call) -> str:
        return self._finish(self._begin(), call)

    def _initiate(self, _call: Call) -> None:
        if self._open is not None:
            raise ScpiError(-213)
        self._open, self._last = self._begin(), None

    def _fetch(self, call: Call) -> str:
        if self._open is not None:
            return self._finish(self._open, call)
        if self._last is None:
            raise ScpiError(-230)
        return self._last

    def _begin_stream(self) -> GaplessStream:
        setting = self._setting
        self._abort(None)
        front = self._fronts[setting.which]
        return self._counter.stream(setting.gate_s, setting.which, front)

    def _abort(self, _call: Call | None) -> None:
        self._streaming.end()
        self._open = self._last = None

    def _begin(self) -> Gate:
        setting = self._setting
        front = self._fronts[setting.which]
        return self._counter.begin(setting.gate_s, setting.which, front)

    def _finish(self, gate: Gate, call: Call) -> str:
        self._open = None
        count = self._counter.finish(gate, call.patience)
        self._last, fault = self._as_text(count)
        call.served.append(
            ServedValue(
                instrument=self._name,
                mono_ns=count.mono_ns,
                text=self._last,
                true_hz=count.true_hz,
                fault=fault,
            )
        )
        return self._last

    def _as_text(self, count: Count) -> tuple[str, str]:
        if self._faults.use_up(NO_SIGNAL):
            return NOT_A_NUMBER, NO_SIGNAL
        if self._faults.use_up(OVERLOAD):
            return INFINITY, OVERLOAD
        if math.isnan(count.hz) or count.hz <= 0:
            return NOT_A_NUMBER, ""
        if math.isinf(count.hz):
            return INFINITY, ""
        factor = self._faults.use_up(FACTOR)
        hz = count.hz * (factor.number if factor else 1.0)
        said = FACTOR if factor else ""
        if self._setting.function == "PER":
            return as_nr3(1.0 / hz, count.step_hz / hz**2), said
        return as_nr3(hz, count.step_hz), said

    # --- settings --------------------------------------------------------------

    def _set_gate(self, call: Call) -> None:
        if self._faults.use_up(REFUSE_GATE):
            raise ScpiError(-222, "gate")
        gate_s = numeric(call.params[0], "S", self._gate_bounds())
        self._setting = replace(self._setting, gate_s=gate_s)

    def _get_gate(self, call: Call) -> str:
        if call.params:
            return _nr3(numeric(call.params[0], "S", self._gate_bounds()))
        return _nr3(self._setting.gate_s)

    def _gate_bounds(self) -> tuple[float, float, float]:
        return (self._counter.spec.min_gate_s, self._counter.spec.max_gate_s, 0.1)

    def _set_function(self, call: Call) -> None:
        name, _, which = string(call.params[0]).strip().partition(" ")
        function = word(name.rpartition(":")[2], _FUNCTIONS)
        number = round(numeric(which or "1", "", (1.0, 99.0, 1.0)))
        self._abort(call)
        self._setting = replace(self._setting, function=function, which=_input(number))

    def _get_function(self, _call: Call) -> str:
        return f'"{self._setting.function} {self._setting.which}"'

    def _set_reference(self, call: Call) -> None:
        source = word(call.params[0], ("INTernal", "EXTernal"))
        if source == "EXT":
            raise ScpiError(-221, "no external reference connected")
        self._setting = replace(self._setting, oscillator=source)

    def _front(self, call: Call) -> InputSettings:
        return self._fronts[_input(call.suffixes[0])]

    def _change(self, call: Call, **changes: object) -> None:
        which = _input(call.suffixes[0])
        self._fronts[which] = replace(self._fronts[which], **changes)  # type: ignore[arg-type]

    def _set_coupling(self, call: Call) -> None:
        self._change(call, coupling=word(call.params[0], ("AC", "DC")))

    def _set_impedance(self, call: Call) -> None:
        ohm = numeric(call.params[0], "OHM", (50.0, 1e6, 1e6))
        if ohm not in (50.0, 1e6):
            raise ScpiError(-224, "50 or 1E6")
        self._change(call, impedance_ohm=ohm)

    def _set_filter(self, call: Call) -> None:
        self._change(call, low_pass=boolean(call.params[0]))

    def _set_level(self, call: Call) -> None:
        self._change(call, level_v=numeric(call.params[0], "V", _LEVEL_V))

    def _get_level(self, call: Call) -> str:
        level = self._front(call).level_v
        return _nr3(0.0 if level is None else level)

    def _set_trigger(self, call: Call) -> None:
        call.suffixes = (self._setting.which,)
        self._set_level(call)

    def _get_trigger(self, call: Call) -> str:
        call.suffixes = (self._setting.which,)
        return self._get_level(call)

    def _set_auto(self, call: Call) -> None:
        self._change(call, level_v=None if boolean(call.params[0]) else 0.0)


def _input(number: int) -> int:
    if number not in _INPUTS:
        raise ScpiError(-114, str(number))
    return number


def _nr3(value: float) -> str:
    return f"{value:+.9E}"


def as_nr3(value: float, step: float) -> str:
    """Print a number in NR3 form down to the decade of `step`, and no further."""
    if value == 0:
        return "+0.0E+00"
    digits = math.floor(math.log10(abs(value))) - math.floor(math.log10(step) + 1e-9)
    return f"{value:+.{min(15, max(0, digits))}E}"
