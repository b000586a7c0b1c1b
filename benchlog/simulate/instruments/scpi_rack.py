"""Simulated supply, scanner and chamber over SCPI: they set, and tell what they set.

Headers are those of SCPI-1999 volume 2: SOURce:VOLTage, OUTPut, ROUTe:CLOSe and OPEN
with channel lists; a chamber's set point is SOURce:TEMPerature, from memory.
"""

import re
from dataclasses import dataclass, replace
from typing import Final

from benchlog.simulate.instruments.faults import Faults
from benchlog.simulate.instruments.scpi_counter import as_nr3
from benchlog.simulate.instruments.scpi_device import Call, Command, ScpiDevice
from benchlog.simulate.instruments.scpi_syntax import ScpiError, boolean, numeric
from benchlog.simulate.physics.rack import Rack
from benchlog.simulate.physics.world import World

_RANGE: Final = re.compile(r"\(\s*@\s*([\d:,\s]+)\)")
_MOST_CHANNELS: Final = 512  # our rule: bounds what comes from outside


@dataclass(frozen=True, slots=True, kw_only=True)
class RackInstrument:
    """What each of them has: its name, what it says it is, and how it is disturbed."""

    name: str
    identity: str
    faults: Faults
    rack: Rack
    world: World


class SimulatedSupply(ScpiDevice):
    """A supply for all devices of a rack; with `control` it is their control voltage.

    `low`, `high` are what it can put out, in volts.
    """

    def __init__(
        self,
        at: RackInstrument,
        *,
        control: bool = False,
        bounds: tuple[float, float] = (0.0, 6.0),
    ) -> None:
        self._at, self._control = at, control
        self._bounds = bounds
        self._limit_a = 1.0
        super().__init__(at.identity)

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        level = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"
        current = "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"
        return (
            Command(level, self._set_volts, 1, 1),
            Command(f"{level}?", lambda _: _nr3(self._set_to())),
            Command(current, self._set_limit, 1, 1),
            Command(f"{current}?", lambda _: _nr3(self._limit_a)),
            Command("OUTPut[:STATe]", self._switch, 1, 1),
            Command("OUTPut[:STATe]?", lambda _: str(int(self._is_on()))),
            Command("MEASure[:SCALar]:VOLTage[:DC]?", self._volts),
            Command("MEASure[:SCALar]:CURRent[:DC]?", self._current),
        )

    def reset(self) -> None:
        """Switch off, as *RST does."""
        self._to(on=False)

    def _set_to(self) -> float:
        return self._at.rack.control_v if self._control else self._at.rack.volts

    def _is_on(self) -> bool:
        rack = self._at.rack
        return rack.controlled if self._control else rack.output

    def _to(self, *, on: bool) -> None:
        now_s = self._at.world.now_s()
        if self._control:
            self._at.rack.set_control(now_s, on=on)
        else:
            self._at.rack.set_output(on, now_s)

    def _set_volts(self, call: Call) -> None:
        low, high = self._bounds
        volts = numeric(call.params[0], "V", (low, high, low))
        now_s = self._at.world.now_s()
        if self._control:
            self._at.rack.set_control(now_s, volts=volts)
        else:
            self._at.rack.set_volts(volts, now_s)

    def _set_limit(self, call: Call) -> None:
        self._limit_a = numeric(call.params[0], "", (0.0, 5.0, 1.0))

    def _switch(self, call: Call) -> None:
        self._to(on=boolean(call.params[0]))

    def _volts(self, _call: Call) -> str:
        return _nr3(self._set_to() if self._is_on() else 0.0)

    def _current(self, _call: Call) -> str:
        return _nr3(0.0 if self._control else self._at.rack.drawn_a())


class SimulatedLoad(ScpiDevice):
    """A box of capacitances at the outputs of all devices of a rack.

    SCPI-1999 names no header for it: these are ours.
    """

    def __init__(self, at: RackInstrument, *, high_pf: float = 100.0) -> None:
        self._at, self._high_pf = at, high_pf
        super().__init__(at.identity)

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        rack = self._at.rack
        return (
            Command("[SOURce:]CAPacitance", self._set, 1, 1),
            Command("[SOURce:]CAPacitance?", lambda _: _nr3(rack.load_pf)),
            Command("OUTPut[:STATe]", self._switch, 1, 1),
            Command("OUTPut[:STATe]?", lambda _: str(int(rack.loaded))),
            Command("MEASure[:SCALar]:CAPacitance?", self._measure),
        )

    def reset(self) -> None:
        """Take the load away, as *RST does."""
        self._at.rack.set_load(self._at.world.now_s(), on=False)

    def _set(self, call: Call) -> None:
        pf = numeric(call.params[0], "", (0.0, self._high_pf, self._at.rack.usual_pf))
        self._at.rack.set_load(self._at.world.now_s(), pf=pf)

    def _switch(self, call: Call) -> None:
        on = boolean(call.params[0])
        self._at.rack.set_load(self._at.world.now_s(), on=on)

    def _measure(self, _call: Call) -> str:
        rack = self._at.rack
        return _nr3(rack.load_pf if rack.loaded else 0.0)


class SimulatedScanner(ScpiDevice):
    """A scanner whose common goes to the counter."""

    def __init__(self, at: RackInstrument) -> None:
        self._at = at
        super().__init__(at.identity)

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        return (
            Command("ROUTe:CLOSe", self._close, 1, 1),
            Command("ROUTe:CLOSe?", self._are_closed, 1, 1),
            Command("ROUTe:CLOSe:STATe?", self._state),
            Command("ROUTe:OPEN", self._open, 1, 1),
            Command("ROUTe:OPEN?", self._are_open, 1, 1),
            Command("ROUTe:OPEN:ALL", self._open_all),
        )

    def reset(self) -> None:
        """Open everything, as *RST does."""
        self._to(frozenset())

    def _to(self, closed: frozenset[int]) -> None:
        rack = self._at.rack
        rack.scanner = replace(rack.scanner, closed=closed)

    def _close(self, call: Call) -> None:
        self._to(self._at.rack.scanner.closed | self._channels(call))

    def _open(self, call: Call) -> None:
        self._to(self._at.rack.scanner.closed - self._channels(call))

    def _open_all(self, _call: Call) -> None:
        self._to(frozenset())

    def _told(self) -> frozenset[int]:
        """Return what its own contacts tell: a stuck one is closed, a lost one not."""
        return self._at.rack.scanner.really

    def _are_closed(self, call: Call) -> str:
        wanted = _list_of(call.params[0])
        return ",".join(str(int(channel in self._told())) for channel in wanted)

    def _are_open(self, call: Call) -> str:
        wanted = _list_of(call.params[0])
        return ",".join(str(int(channel not in self._told())) for channel in wanted)

    def _state(self, _call: Call) -> str:
        return f"(@{','.join(map(str, sorted(self._told())))})"

    def _channels(self, call: Call) -> frozenset[int]:
        channels = _list_of(call.params[0])
        if any(channel not in self._at.rack.devices for channel in channels):
            raise ScpiError(-222, call.params[0][:20])
        return frozenset(channels)


class SimulatedScpiChamber(ScpiDevice):
    """A chamber over SCPI."""

    def __init__(self, at: RackInstrument) -> None:
        self._at = at
        self._rate = at.rack.chamber.spec.rate_c_per_min
        self._on = True
        super().__init__(at.identity)

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        point = "[SOURce:]TEMPerature[:SPOint]"
        return (
            Command(point, self._send, 1, 1),
            Command(f"{point}?", lambda _: _nr3(self._at.rack.chamber.target_c)),
            Command("[SOURce:]TEMPerature:RATE", self._set_rate, 1, 1),
            Command("[SOURce:]TEMPerature:RATE?", lambda _: _nr3(self._rate)),
            Command("OUTPut[:STATe]", self._switch, 1, 1),
            Command("OUTPut[:STATe]?", lambda _: str(int(self._on))),
            Command("MEASure[:SCALar]:TEMPerature?", self._measure, most=2),
        )

    def _send(self, call: Call) -> None:
        spec = self._at.rack.chamber.spec
        to_c = numeric(call.params[0], "", (spec.low_c, spec.high_c, spec.begin_c))
        self._on = True
        self._at.rack.chamber.send(to_c, self._at.world.now_s(), self._rate)

    def _set_rate(self, call: Call) -> None:
        fastest = self._at.rack.chamber.spec.rate_c_per_min
        self._rate = numeric(call.params[0], "", (0.01, fastest, fastest))

    def _switch(self, call: Call) -> None:
        self._on = boolean(call.params[0])
        if not self._on:
            self._at.rack.chamber.stop(self._at.world.now_s())

    def _measure(self, _call: Call) -> str:
        return _nr3(round(self._at.rack.chamber.probe_c(self._at.world.now_s()), 2))


def _nr3(value: float) -> str:
    return as_nr3(value, 1e-4)


def _list_of(text: str) -> tuple[int, ...]:
    """Read a channel list: `(@101)`, `(@101,103)`, `(@101:104)`. Raises ScpiError."""
    match = _RANGE.fullmatch(text)
    if not match:
        raise ScpiError(-171, text[:20])
    channels: list[int] = []
    for part in match[1].split(","):
        ends = part.strip().split(":")
        if len(ends) > 2 or not all(end.strip().isdigit() for end in ends):
            raise ScpiError(-171, text[:20])
        low, high = int(ends[0]), int(ends[-1])
        if high < low or high - low >= _MOST_CHANNELS:
            raise ScpiError(-222, text[:20])
        channels.extend(range(low, high + 1))
    if len(channels) > _MOST_CHANNELS:
        raise ScpiError(-223)
    return tuple(channels)
