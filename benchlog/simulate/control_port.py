"""Misbehave on command: a line protocol on a loopback port, one answer a line.

    counter late 1.5          the next answer comes 1.5 s late (real seconds)
    counter half x3           the next three answers are cut, without a terminator
    counter garbage           the next answer is noise
    counter silent always     no answer any more, until `counter ok`
    counter two               the next answer comes twice
    counter cut               the connection ends in the middle of the next answer
    counter no-signal x5      9.91E37 for five readings;  overload: 9.9E37
    counter factor 2          the next reading is twice what it should be
    counter refuse-gate       the next gate setting is refused
    counter identity TEXT     the next *IDN? answers TEXT
    counter drop              all its connections are closed now
    counter deaf 3            it stops listening for 3 s
    counter ok                it behaves again;  counter status: what waits
    device A warm 5 60        5 C warmer than now for 60 s (without a time: for good)
    device A step 2           jumps by 2 ppm
    device A remove           is taken out;  device A insert 12.5: another, 12.5 ppm
    air 40 60                 the room is set to 40 C for 60 s, all in it follows
    air by 5 60               the room is 5 C warmer than now for 60 s
    supply 3.0                the supply is turned to 3.0 V
    list                      names and addresses;  truth counter 10: the last served

A counter reached in several ways is also `counter@hislip` and so on: `drop` and `deaf`
then mean that way alone. An instrument that also talks by itself takes orders for its
lines as `counter@line`. `benchlog simulate --help` lists all this for its users.

Answers are `ok`, `ok` with JSON behind it, or `error` with a sentence.
"""

import json
import socket
from collections.abc import Callable
from typing import Final

from benchlog.errors import BenchlogError
from benchlog.simulate.serving import Server

_LONGEST_LINE: Final = 4_096


class ControlPort(Server):
    """Hands lines to whoever carries them out."""

    def __init__(self, command: Callable[[str], object]) -> None:
        super().__init__()
        self._command = command

    @property
    def address(self) -> str:
        """Host and port."""
        return f"127.0.0.1:{self.port}"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        with client.makefile("rb") as lines:
            while line := lines.readline(_LONGEST_LINE):
                text = line.decode("utf-8", "replace").strip()
                if text:
                    client.sendall(self._answer(text).encode() + b"\n")

    def _answer(self, text: str) -> str:
        try:
            said = self._command(text)
        except BenchlogError as error:
            return "error " + " ".join(str(error).split())
        return "ok" if said is None else f"ok {json.dumps(said)}"
