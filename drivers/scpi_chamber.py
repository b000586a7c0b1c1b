"""`scpi-chamber` and `line-chamber`: chambers that are told in lines, by a dialect."""

from benchlog.driver import SETTER_OPTIONS, Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.scpi_driver import EXTRA
from benchlog.driver_kit.scpi_setter import ScpiSetter
from benchlog.driver_kit.settings import every
from benchlog.model import Dialect

RATE = Option(
    "rate_per_min", float, None, "change no faster, C a minute", low=0.01, high=100.0
)
"""The option of a chamber: how fast it may heat and cool."""


class ScpiChamber(ScpiSetter):
    """Sets a chamber's set point, starts and stops it, reads its own probe."""

    quantity = "temperature"
    unit = "C"
    options = (
        *SETTER_OPTIONS,
        RATE,
        Option("dialect", Dialect, "scpi-chamber", "how it is asked"),
        every(2.0),
        EXTRA,
        *LINK_OPTIONS,
    )


class LineChamber(ScpiChamber):
    """A chamber with lines of its own: neither identification nor error queue."""

    options = (
        *SETTER_OPTIONS,
        RATE,
        Option("dialect", Dialect, "line-chamber", "how it is asked"),
        every(2.0),
        EXTRA,
        *LINK_OPTIONS,
    )
