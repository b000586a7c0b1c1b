"""Telling a service manager how it goes: the datagrams that systemd documents.

See sd_notify(3): READY=1, STATUS=, WATCHDOG=1, STOPPING=1 to the socket in
NOTIFY_SOCKET. Without that variable nothing is sent.
"""

import contextlib
import os
import socket
from collections.abc import Mapping
from typing import Final

_LONGEST: Final = 200


class Notifier:
    """Speaks to whoever started this process as a service, if somebody did."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):  # Linux's abstract names
            self._address = "\0" + self._address[1:]
        self._status = ""

    def ready(self) -> None:
        """Say that work has begun."""
        self._send("READY=1")

    def alive(self) -> None:
        """Say that the loop goes round; silence for too long ends a hung keeper."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """Say in a line what is going on, when it is something new."""
        line = " ".join(text.split())[:_LONGEST]
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def stopping(self) -> None:
        """Say that the end has begun."""
        self._send("STOPPING=1")

    def _send(self, line: str) -> None:
        if not self._address:
            return
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link,
        ):
            link.setblocking(False)
            link.connect(self._address)
            link.send(line.encode(errors="replace"))
