"""`scpi-thermometer`: a thermometer that is asked, at any VISA address."""

from benchlog.driver import Option
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.scpi_driver import EXTRA, INPUT, ScpiDriver
from benchlog.driver_kit.settings import every
from benchlog.model import Dialect


class ScpiThermometer(ScpiDriver):
    """A thermometer that answers `MEASure:TEMPerature?` in degrees Celsius.

    A dialect may declare kelvin or degrees Fahrenheit; they are converted, and the
    instrument's own words are kept beside the value.
    """

    quantity = "temperature"
    unit = "C"
    options = (
        Option("dialect", Dialect, "scpi-thermometer", "its command strings"),
        every(1.0),
        INPUT,
        EXTRA,
        *LINK_OPTIONS,
    )
    ways = (("measure",), ("read",), ("initiate", "fetch"))
