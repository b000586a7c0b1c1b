"""`line-thermometer`: a thermometer that only talks, one line a value."""

from benchlog.driver import Option
from benchlog.driver_kit.line_driver import DIALECT, LineDriver
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS
from benchlog.driver_kit.settings import every, number_of


class LineThermometer(LineDriver):
    """A thermometer on a port, `rfc2217://`, `socket://` or a plain TCP socket.

    With `every_s` it is looked at now and then, and only its newest line counts.
    """

    quantity = "temperature"
    unit = "C"
    options = (
        DIALECT,
        Option(
            "interval_s",
            float,
            1.0,
            "seconds from one line to the next",
            low=1e-3,
            high=1e5,
        ),
        every(0.0),
        *SERIAL_OPTIONS,
    )

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`."""
        return number_of(self.settings, "every_s")

    @property
    def newest(self) -> bool:
        """Only the newest line counts when not every one is wanted."""
        return self.period_s > 0
