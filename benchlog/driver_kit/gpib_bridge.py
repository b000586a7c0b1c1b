"""An instrument on GPIB behind a bridge on a serial line or a plain socket.

Such bridges take commands that begin with `++`, each on a line; every other line goes
to the bus. This set of commands is common to bridges of several origins (common
practice, no source). Nothing is written into a bridge's permanent memory.
"""

from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.driver_kit.link import Link, StreamLink
from benchlog.errors import SilentError

LINE_END: Final = "\n"
"""What ends a line between us and the bridge."""
_BRIDGE_WAITS_MS: Final = 1_000  # for an answer, before it gives the bus free again
_SLICE_S: Final = 1.5
_ENDS: Final = {b"\r\n": 0, b"\r": 1, b"\n": 2}
_NO_END: Final = 3
_SPECIAL: Final = b"\r\n\x1b+"
_ESCAPE: Final = b"\x1b"


class GpibBridgeLink(Link):
    """A connection through `stream` to the instrument at a primary address.

    The bridge is told everything anew at each opening. With `clear` the instrument's
    input and output buffers are cleared (selected device clear), since an answer that
    nobody read outlives the connection.
    """

    def __init__(
        self,
        stream: StreamLink,
        terminator: bytes,
        gpib_address: int,
        *,
        clear: bool = True,
    ) -> None:
        super().__init__(stream.address, terminator)
        self._stream = stream
        self.advice = (
            f"check that a bridge is there, and that {gpib_address} is the address set "
            "at the instrument"
        )
        stream.send(
            b"++savecfg 0",
            b"++mode 1",
            b"++auto 0",
            b"++eoi 1",
            b"++eos %d" % _ENDS.get(terminator, _NO_END),
            b"++read_tmo_ms %d" % _BRIDGE_WAITS_MS,
            b"++addr %d" % gpib_address,
        )
        if clear:
            self.clear()

    def clear(self) -> bool:
        """See `Link.clear`."""
        self._stream.send(b"++clr")
        return True

    def send(self, *messages: bytes) -> None:
        """See `Link.send`; the bridge adds the terminator."""
        self._stream.send(*(_escaped(message) for message in messages))

    def read_line(self, deadline: Deadline, command: str = "") -> bytes:
        """See `Link.read_line`; a slow instrument is addressed to talk again."""
        while True:
            self._stream.send(b"++read eoi")
            limit = min(deadline, host_deadline(_SLICE_S), key=lambda one: one.at_ns)
            try:
                line = self._stream.read_line(limit, command)
            except SilentError as error:
                if deadline.passed:
                    raise self.silent(command, error.raw) from None
            else:
                self.pause_s = self._stream.pause_s
                return line

    def waiting(self) -> bytes:
        """See `Link.waiting`."""
        return self._stream.waiting()

    def rest(self) -> bytes:
        """See `Link.rest`."""
        return self._stream.rest()

    def close(self) -> None:
        """See `Link.close`."""
        self._stream.close()


def _escaped(message: bytes) -> bytes:
    """Return a message as the bridge takes it: what is special to it is escaped."""
    return b"".join(
        _ESCAPE + bytes([one]) if one in _SPECIAL else bytes([one]) for one in message
    )
