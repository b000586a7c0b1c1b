"""Who is connected to the server of pages, and how much a page sends: both bounded."""

from typing import TYPE_CHECKING, Final

from benchlog.clock import HostClock
from benchlog.units import NS_PER_S

if TYPE_CHECKING:
    import asyncio

    from aiohttp import web
    from aiohttp.web_protocol import RequestHandler

PACE: Final = 32_768
"""Octets a second that a page may send for long; our rule: a mouse sends some 5,000."""
AT_ONCE: Final = 262_144
"""Octets beyond that pace; our rule: four messages as long as one may be."""


class Guests:
    """The connections: where there are too many, who has idled longest is cut off.

    A connection idles while no request of it is answered. Whoever waits for an answer,
    or has a page open, stays; so do `most` connections at least.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._busy: set[RequestHandler] = set()

    def begins(self, one: "RequestHandler") -> None:
        """Note that a request of a connection is answered from now on."""
        self._busy.add(one)

    def ends(self, one: "RequestHandler") -> None:
        """Note that it was answered."""
        self._busy.discard(one)

    def bound(self, server: "web.Server") -> None:
        """Make room before each connection that comes to a server."""
        admit = server.connection_made

        def make_room_and_admit(
            one: "RequestHandler", transport: "asyncio.Transport"
        ) -> None:
            there = server.connections
            idle = [other for other in there if other not in self._busy]
            for other in idle[: max(0, len(there) - self._most + 1)]:
                _cut_off(other)
            admit(one, transport)

        server.connection_made = make_room_and_admit  # type: ignore[method-assign,assignment]


def _cut_off(one: "RequestHandler") -> None:
    """End a connection at once, also where it takes nothing of what waits for it."""
    transport = one.transport
    one.force_close()
    if transport is not None:
        transport.abort()


class SendingAllowance:
    """What a page may send: `AT_ONCE` octets, and `PACE` more each second.

    Its process has to see each key and each move of the mouse, and keeps those that it
    has not seen yet.
    """

    def __init__(self) -> None:
        self._left, self._at_ns = float(AT_ONCE), HostClock().mono_ns()

    def spend(self, octets: int) -> bool:
        """Return whether a page may send so many octets now; it has sent them then."""
        now_ns = HostClock().mono_ns()
        gained = (now_ns - self._at_ns) / NS_PER_S * PACE
        self._left = min(float(AT_ONCE), self._left + gained) - octets
        self._at_ns = now_ns
        return self._left >= 0
