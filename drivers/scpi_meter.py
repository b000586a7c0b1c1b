"""`scpi-meter`: any other quantity of SCPI's MEASure subsystem, such as a supply."""

import re
from collections.abc import Mapping
from typing import Final

from benchlog.clock import Clock
from benchlog.driver import Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.numbers import checked_dialect
from benchlog.driver_kit.scpi_driver import EXTRA, INPUT, ScpiDriver
from benchlog.driver_kit.settings import every
from benchlog.errors import RefusedError
from benchlog.model import Dialect

UNITS: Final = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "resistance": "ohm",
    "fresistance": "ohm",
    "capacitance": "F",
    "frequency": "Hz",
    "period": "s",
    "temperature": "C",
    "humidity": "%",
    "pressure": "Pa",
}
"""Units of the functions after `MEASure:`, as SCPI-1999 gives them where it does."""
_FUNCTION: Final = re.compile(r"[a-z]+[0-9]?(:[a-z]+[0-9]?)*")


class ScpiMeter(ScpiDriver):
    """A meter that answers `MEASure:<quantity>?`; logged beside the readings.

    `quantity` of an instance is the option without `:dc`, which goes without saying.
    """

    quantity = "voltage"
    unit = "V"
    options = (
        Option(
            "quantity",
            str,
            "voltage:dc",
            "what to measure, as in MEASure:<quantity>?: voltage:dc, current:dc, ...",
        ),
        Option("unit", str, None, "its unit, where the quantity does not say"),
        Option("dialect", Dialect, "scpi-meter", "its command strings"),
        every(1.0),
        INPUT,
        EXTRA,
        *LINK_OPTIONS,
    )
    ways = (("measure",), ("read",), ("initiate", "fetch"))

    def __init__(
        self, address: str, options: Mapping[str, object], clock: Clock
    ) -> None:
        super().__init__(address, options, clock)
        self._function = str(self.settings["quantity"]).casefold()
        self.quantity = self._function.removesuffix(":dc")
        unit = self.settings["unit"]
        self.unit = str(unit or UNITS.get(self._function.partition(":")[0], ""))

    def open(self) -> None:
        """See `Driver.open`."""
        if not _FUNCTION.fullmatch(self._function):
            raise RefusedError(
                f"quantity = {self._function!r} is no function of a meter; write it as "
                "voltage:dc, current:ac, resistance, ...",
                address=self.address,
            )
        super().open()

    def _words(self) -> dict[str, str]:
        return {**super()._words(), "quantity": self._function.upper()}

    def _dialect(self) -> Dialect:
        return checked_dialect(self, "scpi", any_unit=True)
