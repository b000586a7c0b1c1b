"""What every driver of an instrument that only talks does the same way."""

from collections.abc import Mapping
from typing import Final

from benchlog.driver import GRACE_S, Driver, Option
from benchlog.errors import LostError
from benchlog.model import Dialect, Identity, Sample

from ._connect import STREAM_WANTED, is_stream, open_stream
from ._dialects import checked_dialect
from ._lines import Line, Listener
from ._numbers import parse_reply
from ._settings import number_of

DIALECT: Final = Option(
    "dialect", Dialect, None, "the dialect of its lines", required=True
)
OPEN_S: Final = 10.0
"""Real seconds that opening may wait for a first line."""


class LineDriver(Driver):
    """An instrument that sends one line a value and is never asked anything.

    The first line is skipped, as it may be half of one. Opening waits for it, since it
    shows that somebody is there; the first reading does where lines are rarer than
    every few seconds.
    """

    _listener: Listener | None = None
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

    def open(self) -> None:
        """See `Driver.open`."""
        self.close()
        self._dialect = checked_dialect(self, "line")
        link = open_stream(self.address, self._dialect.terminator, self.settings)
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
        settings["dialect"] = self._dialect.name
        title = self._dialect.title or self._dialect.name
        text = f"{title} (it only talks and cannot be asked)"
        return Identity(text, model=title, serial=self.address, settings=settings)

    def read(self) -> Sample:
        """See `Driver.read`."""
        listener = self._opened()
        if self._skip_first:
            self._skip(listener)
        line = self._next(listener, newest=self.newest)
        gate_s = number_of(self.settings, "gate_s")
        number = parse_reply(
            line.raw, self._dialect, self.unit, gate_s=gate_s, address=self.address
        )
        return Sample(
            number.value,
            self.unit,
            line.mono_ns,
            line.utc_ns,
            gate_s,
            line.raw.strip(b" \t\r\n"),
            number.step,
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

    def _skip(self, listener: Listener) -> None:
        line = self._next(listener)
        self._skip_first = False
        self._messages = (f"skipped the first line, maybe half: {line.raw[:80]!r}",)

    def _next(self, listener: Listener, *, newest: bool = False) -> Line:
        deadline = self.clock.deadline(self._interval_s, GRACE_S)
        return listener.next(deadline, newest=newest)

    def _opened(self) -> Listener:
        if self._listener is None:
            raise LostError(
                f"{self.address} is not open; open it first", address=self.address
            )
        return self._listener
