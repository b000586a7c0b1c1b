"""A byte stream over a pseudo terminal, found under a link that stays the same.

The terminal is raw before anybody opens it and stays so: our own end of the other side
is never closed while it lives. An unplugged line comes back as a new terminal under
the old name.
"""

import contextlib
import fcntl
import os
import select
import struct
import termios
import threading
import tty
from pathlib import Path
from typing import Final

from benchlog.clock import host_deadline
from benchlog.simulate.bench_wait import sharpen
from benchlog.simulate.transports.byte_stream import Protocolled

_JOIN_S: Final = 5.0  # our rule: threads end by then
_QUEUE_BYTES: Final = 3_000  # the kernel holds about 4 KiB for whoever reads; our rule


class PtyServer:
    """Serves one instrument on one pseudo terminal."""

    def __init__(self, protocol: Protocolled, link: Path, *, talks: bool) -> None:
        self._protocol, self._link, self._talks = protocol, link, talks
        self._stopping = threading.Event()
        self._guard = threading.Lock()
        self._line: _PtyStream | None = None
        self._deaf = host_deadline(0.0)
        self._thread = threading.Thread(target=self._live, daemon=True)

    @property
    def address(self) -> str:
        """The path; as a VISA address when it answers."""
        return str(self._link) if self._talks else f"ASRL{self._link}::INSTR"

    def start(self) -> None:
        """Create the terminal and begin to serve."""
        self._plug_in()
        self._thread.start()

    def stop(self) -> None:
        """End, and take the link away."""
        self._stopping.set()
        self.drop()
        self._thread.join(_JOIN_S)
        self._unlink()

    def drop(self) -> None:
        """Pull the plug; it is back at once, as a new terminal under the old name."""
        with self._guard:
            line = self._line
        if line is not None:
            line.close()

    def deafen(self, real_s: float) -> None:
        """Pull the plug and put it back after `real_s`."""
        self._deaf = host_deadline(real_s)
        self.drop()

    def _live(self) -> None:
        sharpen()
        while True:
            with self._guard:
                line = self._line
            if line is not None:
                self._protocol(line)
                self._unlink()
                line.let_go()
            while not self._deaf.passed and not self._stopping.is_set():
                self._stopping.wait(min(0.05, self._deaf.left_s()))
            if self._stopping.is_set():
                return
            self._plug_in()

    def _plug_in(self) -> None:
        line = _PtyStream(self._stopping)
        with self._guard:
            self._line = line
        self._unlink()
        self._link.symlink_to(line.path)

    def _unlink(self) -> None:
        self._link.unlink(missing_ok=True)


class _PtyStream:
    """The instrument's end of one terminal; closed by a flag, freed by its thread."""

    def __init__(self, stopping: threading.Event) -> None:
        self._stopping = stopping
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._wake, self._waker = os.pipe()
        self._closed = self._freed = False
        self._freeing = threading.Lock()

    def receive(self) -> bytes:
        while not self.gone():
            ready, _, _ = select.select([self._master, self._wake], [], [])
            if self._master in ready:
                with contextlib.suppress(BlockingIOError):
                    return os.read(self._master, 4096)
        return b""

    def send(self, data: bytes) -> None:
        """Write; what nobody has read is overrun, as on a line without a reader."""
        if self.gone():
            raise OSError("the line is unplugged")
        if self._unread() + len(data) > _QUEUE_BYTES:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        view = memoryview(data)
        while view and not self.gone():
            _, ready, _ = select.select([], [self._master], [], 0.1)
            if ready:
                view = view[os.write(self._master, view) :]
            else:
                termios.tcflush(self._slave, termios.TCIFLUSH)

    def gone(self) -> bool:
        return self._closed or self._stopping.is_set()

    def close(self) -> None:
        self._closed = True
        with self._freeing:
            if not self._freed:  # the number may be somebody else's file by now
                os.write(self._waker, b"x")

    def let_go(self) -> None:
        """Close the terminal itself; only the thread that serves it may."""
        with self._freeing:
            self._freed = True
            for fd in (self._master, self._slave, self._wake, self._waker):
                os.close(fd)

    def _unread(self) -> int:
        count = fcntl.ioctl(self._slave, termios.FIONREAD, b"\0" * 4)
        return int(struct.unpack("i", count)[0])
