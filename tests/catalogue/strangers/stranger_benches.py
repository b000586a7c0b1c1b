"""A stranger's package: drivers found by entry point, here only for their options."""

from benchlog.driver import Driver, Option
from benchlog.model import Dialect


class Silent(Driver):
    """Never opened in these tests."""

    def open(self):
        raise NotImplementedError

    def identify(self):
        raise NotImplementedError

    def read(self):
        raise NotImplementedError

    def close(self):
        """Nothing to let go."""


class Counter(Silent):
    quantity = "frequency"
    unit = "Hz"
    options = (
        Option("dialect", Dialect, "scpi-1999", "the command strings"),
        Option("gate_s", float, 1.0, "gate time in seconds", low=1e-3, high=100.0),
        Option("input", int, None, "which input", low=1, high=3),
        Option("coupling", str, None, "input coupling", choices=("ac", "dc")),
    )


class Talker(Silent):
    quantity = "frequency"
    unit = "Hz"
    options = (Option("dialect", Dialect, None, "how it talks", required=True),)


class Room(Silent):
    quantity = "temperature"
    unit = "C"
    needs_address = False


class Meter(Silent):
    quantity = "voltage"
    unit = "V"
    options = (Option("quantity", str, "voltage", "what to measure"),)


class LostDefault(Silent):
    quantity = "frequency"
    unit = "Hz"
    options = (Option("dialect", Dialect, "nowhere", "the command strings"),)


class NoDriver:
    """Registered, but no driver."""
