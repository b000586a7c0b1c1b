"""`scpi-counter`: a frequency counter that is asked, at any VISA address."""

from benchlog.driver import Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.scpi import Talk
from benchlog.driver_kit.scpi_driver import EXTRA, ScpiDriver
from benchlog.driver_kit.settings import INPUT_OPTIONS, number_of
from benchlog.model import Dialect


class ScpiCounter(ScpiDriver):
    """A counter that answers `READ?`, or whatever its dialect declares instead.

    The gate is set and read back; what the counter made of it is the gate of every
    sample.
    """

    quantity = "frequency"
    unit = "Hz"
    options = (
        Option("dialect", Dialect, "scpi-1999", "the command strings of its family"),
        Option("gate_s", float, 1.0, "gate time in seconds", low=1e-6, high=1e4),
        EXTRA,
        *INPUT_OPTIONS,
        *LINK_OPTIONS,
    )

    _gate_got_s: float | None = None

    def _set_up(self, talk: Talk) -> None:
        self._gate_got_s = None
        super()._set_up(talk)
        assert self._identity is not None
        got = parse_number(self._identity.settings["gate_s"])
        self._gate_got_s = got.value if got else None

    def _gate_s(self) -> float:
        got = self._gate_got_s
        return number_of(self.settings, "gate_s") if got is None else got
