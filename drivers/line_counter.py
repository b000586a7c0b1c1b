"""`line-counter`: a counter that only talks, one line a reading, on a serial line."""

from benchlog.driver import Option
from benchlog.driver_kit.line_driver import DIALECT, LineDriver
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS


class LineCounter(LineDriver):
    """A counter on a port, `rfc2217://`, `socket://` or a plain TCP socket.

    Pattern, unit and scale of its lines are the dialect's: hertz, a period in seconds,
    or counts in a gate of reference seconds. Every line is a reading, stamped when it
    had arrived.
    """

    quantity = "frequency"
    unit = "Hz"
    options = (
        DIALECT,
        Option(
            "gate_s", float, 1.0, "the gate it uses, in seconds", low=1e-6, high=1e4
        ),
        Option(
            "interval_s",
            float,
            None,
            "seconds from one line to the next, if longer than the gate",
            low=1e-3,
            high=1e5,
        ),
        *SERIAL_OPTIONS,
    )
