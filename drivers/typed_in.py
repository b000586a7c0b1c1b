"""`typed-in`: a value that the operator states; marked as such wherever it shows."""

from collections.abc import Mapping

from benchlog.clock import Clock
from benchlog.driver import Driver, Option
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.settings import every, number_of
from benchlog.errors import LostError
from benchlog.model import Identity, Sample


class TypedIn(Driver):
    """No instrument at all: a thermometer on the wall, read by a person.

    `Identity.settings["typed"]` is `"true"`, so that readings can be flagged.
    """

    quantity = "temperature"
    unit = "C"
    needs_address = False
    exclusive = False
    options = (
        Option("value", float, None, "the value", low=-1e12, high=1e12, required=True),
        Option("quantity", str, "temperature", "what it is a value of"),
        Option("unit", str, "C", "its unit"),
        every(1.0),
    )

    _is_open = False

    def __init__(
        self, address: str, options: Mapping[str, object], clock: Clock
    ) -> None:
        super().__init__(address, options, clock)
        self.quantity = str(self.settings["quantity"])
        self.unit = str(self.settings["unit"])

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`."""
        return number_of(self.settings, "every_s")

    def open(self) -> None:
        """See `Driver.open`; there is nobody to be absent."""
        self._is_open = True

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        text = f"{self._text()} {self.unit}, typed in by the operator"
        return Identity(text, settings={"typed": "true", "value": self._text()})

    def read(self) -> Sample:
        """See `Driver.read`."""
        if not self._is_open:
            raise LostError("a typed-in value is not open; open it first")
        text = self._text()
        number = parse_number(text)
        assert number is not None  # the option is a bounded number
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(number.value, self.unit, *now, raw=text.encode())

    def close(self) -> None:
        """See `Driver.close`."""
        self._is_open = False

    def _text(self) -> str:
        return f"{number_of(self.settings, 'value'):.15G}"
