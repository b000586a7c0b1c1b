"""`scpi-scanner`: one channel of a scanner at a time, by SCPI's ROUTe tree.

Break before make: all channels are opened, and the scanner must say that they are,
before the next one is closed. Two that are closed at once are an error, never a value.
"""

import re
from typing import Final

from benchlog.driver import Option, Setter
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.numbers import checked_dialect
from benchlog.driver_kit.scpi import Talk
from benchlog.driver_kit.scpi_driver import EXTRA
from benchlog.driver_kit.scpi_setter import ScpiSetter
from benchlog.driver_kit.settings import every
from benchlog.errors import GarbledError, RefusedError
from benchlog.model import Dialect, Sample

_LIST: Final = re.compile(r"\(@([\d:,\s]*)\)", re.ASCII)
_ITEM: Final = re.compile(r"(\d{1,6})(?::(\d{1,6}))?", re.ASCII)
_MOST: Final = 512  # our rule: channels that one range can name


class ScpiScanner(ScpiSetter):
    """Closes one channel; `set(0)` opens all. `read` tells which one is closed."""

    quantity = "channel"
    unit = "channel"
    switches = False
    ways = (("closed_get",),)
    options = (
        Option("low", float, 1.0, "the first channel", low=1, high=1e6),
        Option("high", float, 99_999.0, "the last channel", low=1, high=1e6),
        Option("dead_man_s", float, 5.0, "see the manual", low=1.0, high=600.0),
        Option("dialect", Dialect, "scpi-scanner", "how it is asked"),
        every(1.0),
        EXTRA,
        *LINK_OPTIONS,
    )

    def set(self, value: float) -> None:
        """Close one channel alone, or with 0 none. Raises RefusedError, see above.

        It is asked who it is each time: behind a gateway plugs can be exchanged while
        the connection holds, and another scanner's channels lead to other devices.
        Raises WrongInstrumentError then, and orders nothing.
        """
        if value != 0:
            self.require_within(value)
            if value != int(value):
                raise RefusedError(f"{value!r} is no channel", address=self.address)
            self._require_who()
        self._order("open_all")
        self._require(())
        if value != 0:
            self._order("channel_set", channel=str(int(value)))
            self._require((int(value),))

    def read_back(self) -> float:
        """Return the channel that is closed, 0 for none; two are a RefusedError."""
        closed = self._closed()
        if len(closed) > 1:
            raise self._wrong(f"has channels {_said(closed)} closed at once")
        return float(closed[0]) if closed else 0.0

    def read(self) -> Sample:
        """See `Driver.read`: the closed channel as a value."""
        value = self.read_back()
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(value, self.unit, *now, raw=f"{value:.0f}".encode())

    def at_rest(self) -> bool:
        """See `Setter.at_rest`: a relay has moved when it says so."""
        return True

    def switch(self, on: bool) -> None:
        """See `Setter.switch`: there is none."""
        Setter.switch(self, on)

    def release(self) -> None:
        """Open all channels."""
        self._order("open_all")
        self._require(())

    def _require(self, wanted: tuple[int, ...]) -> None:
        closed = self._closed()
        if closed != wanted:
            said = f"closes {_said(closed)}" if closed else "closes nothing"
            raise self._wrong(
                f"was told to close {_said(wanted) or 'nothing'} and {said}"
            )

    def _wrong(self, said: str) -> RefusedError:
        return RefusedError(
            f"scanner {self.address} {said}; a contact is stuck or lost, or somebody "
            "else switches it. Nothing is measured through it",
            address=self.address,
        )

    def _closed(self) -> tuple[int, ...]:
        """Return the channels that are closed, as it says now."""
        reply = self._opened().ask("closed_get")
        channels = _channels(reply.text)
        if channels is None:
            raise GarbledError(
                f"{self.address} answered {reply.text[:40]!r}; a channel list such as "
                "(@101) was expected",
                address=self.address,
                command=reply.command,
                raw=reply.line,
            )
        return channels

    def _dialect(self) -> Dialect:
        """See `ScpiDriver`; a channel has no unit."""
        return checked_dialect(self, "scpi", any_unit=True)

    def _set_up(self, talk: Talk) -> None:
        """See `ScpiDriver`; begins with everything open."""
        super()._set_up(talk)
        self.release()


def _channels(text: str) -> tuple[int, ...] | None:
    """Return the channels of a list, None for what is none.

    Commas are split first: one pattern for the whole list takes longer than anybody has
    for an answer that is nearly right. A range that ends before it begins would name
    nothing, which is what an open scanner answers.
    """
    found = _LIST.fullmatch(text)
    if found is None:
        return None
    channels: set[int] = set()
    for part in filter(None, (one.strip() for one in found[1].split(","))):
        item = _ITEM.fullmatch(part)
        if item is None:
            return None
        low, high = int(item[1]), int(item[2] or item[1])
        if high < low:
            return None
        channels.update(range(low, min(high, low + _MOST) + 1))
    return tuple(sorted(channels))


def _said(channels: tuple[int, ...]) -> str:
    return ", ".join(map(str, channels))
