"""What every driver of an instrument that only talks does the same way.

A driver whose lines a pattern can read takes the option `DIALECT` and needs no code.
One whose lines want code (hexadecimal with a check sum, packed fields) overrides
`LineDriver.parse`; opening, framing, time stamps, labels and errors stay here::

    class HexCounter(LineDriver):
        \"\"\"My counter: hertz as hexadecimal digits, `*`, and their sum.\"\"\"

        quantity, unit = "frequency", "Hz"
        options = (Option("gate_s", float, 1.0, "its gate"), *SERIAL_OPTIONS)

        def parse(self, line: bytes) -> float:
            digits, _, check = line.partition(b"*")
            if int(check, 16) != sum(digits) % 256:
                raise ValueError("the check sum is wrong")
            return float(int(digits, 16))
"""

import math
from collections.abc import Mapping
from typing import ClassVar, Final

from benchlog.clock import Deadline
from benchlog.driver import GRACE_S, Driver, Option
from benchlog.driver_kit.connect import STREAM_WANTED, is_stream, open_stream
from benchlog.driver_kit.listener import Line, Listener
from benchlog.driver_kit.numbers import Number, checked_dialect, parse_reply
from benchlog.driver_kit.settings import number_of
from benchlog.driver_values import LONGEST_RAW
from benchlog.errors import GarbledError, LostError
from benchlog.masking import masked
from benchlog.model import Dialect, Identity, Sample

DIALECT: Final = Option(
    "dialect", Dialect, None, "the dialect of its lines", required=True
)
_BLANKS: Final = b" \t\r\n"
OPEN_S: Final = 10.0
"""Real seconds that opening may wait for a first line."""


class LineDriver(Driver):
    """An instrument that sends one line a value and is never asked anything.

    The first line is skipped, as it may be half of one. Opening waits for it, since it
    shows that somebody is there; the first reading does where lines are rarer than
    every few seconds.
    """

    terminator: ClassVar[str] = "\n"
    """What ends a line, where no dialect names it."""

    _listener: Listener | None = None
    _dialect: Dialect | None = None
    _skip_first = False
    _messages: tuple[str, ...] = ()

    @property
    def read_limit_s(self) -> float:
        """See `Driver.read_limit_s`; room for the line that may have to be skipped."""
        return self._interval_s * (1 if self._opens_with_a_line else 2)

    @property
    def newest(self) -> bool:
        """Whether only the newest line counts when several wait."""
        return False

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """See `Driver.address_wanted`."""
        del settings
        return "" if is_stream(address) else STREAM_WANTED

    def parse(self, line: bytes) -> float | Number | None:
        """Return what one line holds, in `unit`; override it where that takes code.

        Parameters
        ----------
        line : bytes
            One whole line as it came, its terminator included; `int`, `float` and
            `bytes.fromhex` pass over that.

        Returns
        -------
        float | Number | None
            The value; a `Number` where the worth of its last digit is known; None for
            a line that is no measurement (a heading, a status): the next one is read.

        Raises
        ------
        ValueError
            The line is malformed, and why. `read` makes a GarbledError of it, with
            the line as it came. The errors of `int`, `float` and `bytes.fromhex` will
            do; a KeyError or IndexError counts as well.
        NoSignalError, OverloadError
            The line tells that there is nothing to measure.

        """
        if self._dialect is None:
            raise NotImplementedError(
                f"{type(self).__name__} has neither a dialect nor a parse of its own"
            )
        return parse_reply(
            line,
            self._dialect,
            self.unit,
            gate_s=number_of(self.settings, "gate_s"),
            address=self.address,
        )

    def open(self) -> None:
        """See `Driver.open`."""
        self.close()
        self._dialect = checked_dialect(self, "line") if self._has_dialect else None
        ends = self.terminator if self._dialect is None else self._dialect.terminator
        link = open_stream(self.address, ends, self.settings)
        interval_s = self.clock.real_s(self._interval_s)
        self._listener = Listener(link, self.clock, interval_s)
        self._skip_first = True
        if self._opens_with_a_line:
            try:
                self._skip(self._listener)
            except BaseException:
                self.close()
                raise

    def identify(self) -> Identity:
        """See `Driver.identify`; what only talks does not say who it is."""
        self._opened()
        names = ("baud", "bytesize", "parity", "stopbits", "gate_s", "interval_s")
        settings = {
            name: f"{self.settings[name]} (stated)"
            for name in names
            if self.settings.get(name) is not None
        }
        title = (
            (type(self).__doc__ or type(self).__name__)
            .strip()
            .split("\n")[0]
            .rstrip(".")
        )
        if self._dialect is not None:
            settings["dialect"] = self._dialect.name
            title = self._dialect.title or self._dialect.name
        text = f"{title} (it only talks and cannot be asked)"
        return Identity(
            text, model=title, serial=masked(self.address), settings=settings
        )

    def read(self) -> Sample:
        """See `Driver.read`."""
        listener = self._opened()
        if self._skip_first:
            self._skip(listener)
        deadline = self._patience()
        while True:
            line = listener.next(deadline, newest=self.newest)
            found = self._parsed(line)
            if found is not None:
                break
        value, step = found
        return Sample(
            value,
            self.unit,
            line.mono_ns,
            line.utc_ns,
            number_of(self.settings, "gate_s"),
            line.raw.strip(_BLANKS),
            step,
        )

    def close(self) -> None:
        """See `Driver.close`."""
        listener, self._listener = self._listener, None
        if listener is not None:
            listener.close()

    def messages(self) -> tuple[str, ...]:
        """See `Driver.messages`."""
        said, self._messages = self._messages, ()
        return said

    @property
    def _interval_s(self) -> float:
        gate_s = number_of(self.settings, "gate_s", 1.0)
        return number_of(self.settings, "interval_s", gate_s)

    @property
    def _opens_with_a_line(self) -> bool:
        return self.clock.real_s(self._interval_s) + GRACE_S <= OPEN_S

    @property
    def _has_dialect(self) -> bool:
        return any(option.name == DIALECT.name for option in self.options)

    def _parsed(self, line: Line) -> tuple[float, float | None] | None:
        """Return the value of a line and its last digit's worth, None for no value."""
        if len(line.raw) > LONGEST_RAW:
            raise self._malformed(line, f"it has {len(line.raw):,} bytes")
        try:
            found = self.parse(line.raw)
        except (ValueError, KeyError, IndexError) as error:
            raise self._malformed(line, str(error) or repr(error)) from error
        if found is None:
            return None
        value = found.value if isinstance(found, Number) else found
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self._malformed(line, f"parse made {value!r} of it, no number")
        if not math.isfinite(value):
            raise self._malformed(line, f"parse made {value!r} of it")
        return float(value), found.step if isinstance(found, Number) else None

    def _malformed(self, line: Line, why: str) -> GarbledError:
        return GarbledError(
            f"{self.address} sent {line.raw[:60]!r}, which is malformed ({why}); check "
            "the cable and the line's settings",
            address=self.address,
            raw=line.raw,
        )

    def _skip(self, listener: Listener) -> None:
        line = listener.next(self._patience())
        self._skip_first = False
        self._messages = (f"skipped the first line, maybe half: {line.raw[:80]!r}",)

    def _patience(self) -> Deadline:
        return self.clock.deadline(self._interval_s, GRACE_S)

    def _opened(self) -> Listener:
        if self._listener is None:
            raise LostError(
                f"{self.address} is not open; open it first", address=self.address
            )
        return self._listener
