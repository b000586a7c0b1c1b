"""`scpi-supply`: a supply, or a source of a control voltage, by SCPI's SOURce tree."""

from benchlog.driver import SETTER_OPTIONS, Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.scpi_driver import EXTRA
from benchlog.driver_kit.scpi_setter import ScpiSetter
from benchlog.driver_kit.settings import every
from benchlog.model import Dialect


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
