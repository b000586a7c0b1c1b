"""A simulated supply that feeds one chip, over SCPI: its voltage, and its output."""

from collections.abc import Callable
from typing import Final

from benchlog.simulate.instruments.scpi_counter import as_nr3
from benchlog.simulate.instruments.scpi_device import Call, Command, ScpiDevice
from benchlog.simulate.instruments.scpi_syntax import boolean, numeric

IDENTITY: Final = "SIMULATED,Chip Supply,SIM-0005,1.0"
_HIGH_V: Final = 6.0  # our rule, invented


class ChipSupply(ScpiDevice):
    """Headers of SCPI-1999 volume 2: SOURce:VOLTage, OUTPut, MEASure.

    It is on at first, as somebody left it. `moved` hears each new voltage, `switched`
    each time that the output is switched over.
    """

    def __init__(
        self,
        volts: float,
        moved: Callable[[float], None],
        switched: Callable[[bool], None],
    ) -> None:
        self.volts, self.on = volts, True
        self._moved, self._switched = moved, switched
        self.order: list[str] = []
        """What it was told, in order: for whoever looks at what was done to a chip."""
        super().__init__(IDENTITY)

    def commands(self) -> tuple[Command, ...]:
        """See ScpiDevice."""
        level = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"
        current = "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"
        return (
            Command(level, self._set_volts, 1, 1),
            Command(f"{level}?", lambda _: as_nr3(self.volts, 1e-4)),
            Command(current, lambda _: None, 1, 1),
            Command("OUTPut[:STATe]", self._switch, 1, 1),
            Command("OUTPut[:STATe]?", lambda _: str(int(self.on))),
            Command("MEASure[:SCALar]:VOLTage[:DC]?", self._measured),
        )

    def reset(self) -> None:
        """Switch off, as *RST does."""
        self._to(on=False)

    def _measured(self, _call: Call) -> str:
        return as_nr3(self.volts if self.on else 0.0, 1e-4)

    def _set_volts(self, call: Call) -> None:
        self.volts = numeric(call.params[0], "V", (0.0, _HIGH_V, 0.0))
        self.order.append("set")
        self._moved(self.volts)

    def _switch(self, call: Call) -> None:
        self._to(on=boolean(call.params[0]))

    def _to(self, *, on: bool) -> None:
        before, self.on = self.on, on
        if on is not before:
            self.order.append("on" if on else "off")
            self._switched(on)
