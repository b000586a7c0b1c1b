"""Setters that a dialect tells how to set by lines: supply, load, chambers."""

from benchlog.driver import SETTER_OPTIONS, Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.scpi_driver import EXTRA
from benchlog.driver_kit.scpi_setter import ScpiSetter
from benchlog.driver_kit.settings import every
from benchlog.model import Dialect

RATE = Option(
    "rate_per_min", float, None, "change no faster, C a minute", low=0.01, high=100.0
)
"""The option of a chamber: how fast it may heat and cool; our rule bounds it."""


class ScpiSupply(ScpiSetter):
    """Sets a voltage, switches the output, measures what is at the terminals."""

    quantity = "voltage"
    unit = "V"
    options = (
        *SETTER_OPTIONS,
        Option("limit_a", float, None, "current limit, sent once", low=0.0, high=1e3),
        Option("dialect", Dialect, "scpi-supply", "how it is asked"),
        every(1.0),
        EXTRA,
        *LINK_OPTIONS,
    )


class ScpiLoad(ScpiSetter):
    """Switches a load capacitance in at the devices' outputs, in pF."""

    quantity = "load"
    unit = "pF"
    options = (
        *SETTER_OPTIONS,
        Option("dialect", Dialect, "scpi-load", "how it is asked"),
        every(1.0),
        EXTRA,
        *LINK_OPTIONS,
    )


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
