"""Messages through PyVISA: HiSLIP, VXI-11, USB, GPIB, and other VISA libraries.

The manager is one per library and process and is never closed: closing it would close
everybody's instruments. Vendor libraries raise what they like, so every exception is
translated here, once. The bytes of an answer that never ended stay in the library.
"""

import contextlib
import gc
import socket
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

import pyvisa
from pyvisa.constants import InterfaceType, Parity, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource

from benchlog.clock import Deadline, host_deadline
from benchlog.driver_kit.link import CONNECT_S, MAX_LINE, Link
from benchlog.errors import InstrumentError, LostError

_T = TypeVar("_T")
_MOST_OCTETS: Final = 16 * MAX_LINE  # our rule: an answer, and what is around it
_HEADER: Final = 16  # source: IVI-6.1, 4.1, octets of a HiSLIP message's header
_SOCKETS: Final = ("sock", "_sync", "_async")
"""Where PyVISA-py's clients of VXI-11 and HiSLIP have their sockets."""
_KEEP_ANSWERS: Final = (InterfaceType.usb, InterfaceType.gpib)
"""Where an unread answer outlives the connection and must be cleared away."""


class VisaLink(Link):
    """An open VISA resource. Raises LostError when there is none."""

    advice = "check that it knows this command, and the dialect's terminator"

    def __init__(
        self,
        address: str,
        terminator: bytes,
        library: str,
        settings: Mapping[str, object],
        *,
        clear: bool = True,
    ) -> None:
        super().__init__(address, terminator)
        self._rest = b""
        manager, fault = _tried(lambda: pyvisa.ResourceManager(library))
        if manager is None:
            raise LostError(
                f"cannot load the VISA library {library!r} ({fault}); install it or "
                "set visa_library",
                address=address,
            )
        self._manager = manager
        resource, fault = _tried(lambda: self._open(settings, clear=clear))
        if resource is None and "install" in fault:  # PyVISA-py lacks what it needs
            raise LostError(
                f"{address} cannot be reached from this computer ({_first(fault)}); "
                "`benchlog doctor` names what is missing, and the command to type",
                address=address,
            )
        if resource is None:
            raise LostError(
                f"nobody answers at {address} ({fault}); is the instrument on, and the "
                "address right?",
                address=address,
            )
        self._resource = resource

    def send(self, *messages: bytes) -> None:
        """See `Link.send`; a message here is a unit of the bus, not a line."""
        self._rest = b""
        self._allow(CONNECT_S)
        for message in messages:
            try:
                self._resource.write_raw(message + self.terminator)
            except Exception as error:
                raise self._translated(error, message.decode("latin-1")) from error

    def read_line(self, deadline: Deadline, command: str = "") -> bytes:
        """See `Link.read_line`; the end of a message ends a line as well."""
        self._allow(deadline.left_s() + CONNECT_S)
        try:
            self._resource.timeout = max(1.0, deadline.left_s() * 1e3)
            message = bytes(self._resource.read_raw())
        except Exception as error:
            raise self._translated(error, command) from error
        end = message.find(self.terminator[-1:]) + 1
        if not end:
            if self._is_stream:
                raise self.silent(command, message)
            end = len(message)
        self._rest = message[end:]
        return message[:end]

    def read_octets(self, count: int, deadline: Deadline, command: str = "") -> bytes:
        """See `Link.read_octets`; messages carry any octets, a stream of lines none."""
        if self._is_stream:
            return super().read_octets(count, deadline, command)
        while len(self._rest) < count:
            try:
                self._resource.timeout = max(1.0, deadline.left_s() * 1e3)
                self._rest += bytes(self._resource.read_raw())
            except Exception as error:
                raise self._translated(error, command) from error
        taken, self._rest = self._rest[:count], self._rest[count:]
        return taken

    def waiting(self) -> bytes:
        """See `Link.waiting`; a bus that knows messages holds none back."""
        taken, self._rest = self._rest, b""
        if not self._is_stream:
            return taken
        try:
            self._resource.timeout = 1
            return taken + bytes(self._resource.read_raw())
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                return taken
            raise self.lost(_why(error)) from error
        except Exception as error:
            raise self.lost(_why(error)) from error

    def rest(self) -> bytes:
        """See `Link.rest`."""
        return self._rest

    def close(self) -> None:
        """See `Link.close`; PyVISA's pure-Python library forgets to drop sessions."""
        self._allow(CONNECT_S)
        _close(self._manager, self._resource)

    def _open(
        self, settings: Mapping[str, object], *, clear: bool
    ) -> MessageBasedResource:
        resource = self._manager.open_resource(
            self.address, open_timeout=int(CONNECT_S * 1e3)
        )
        try:
            if not isinstance(resource, MessageBasedResource):
                raise TypeError(f"{type(resource).__name__} carries no messages")
            resource.timeout = CONNECT_S * 1e3
            kind = resource.interface_type
            is_socket = self.address.upper().endswith("::SOCKET")
            self._is_stream = is_socket or kind == InterfaceType.asrl
            if self._is_stream:
                resource.read_termination = self.terminator[-1:].decode("latin-1")
            if kind == InterfaceType.asrl:
                _set_line(resource, settings)
            self._keeps_answers = kind in _KEEP_ANSWERS
            if clear:
                self._clear(resource)
            self._sockets = _honest_sockets(self._manager, resource)
        except BaseException:
            _close(self._manager, resource)
            raise
        return resource

    def clear(self) -> bool:
        """See `Link.clear`."""
        return self._clear(self._resource)

    def _clear(self, resource: MessageBasedResource) -> bool:
        if self._keeps_answers:
            with contextlib.suppress(NotImplementedError, pyvisa.errors.VisaIOError):
                resource.clear()
        return self._keeps_answers

    def _allow(self, real_s: float) -> None:
        """Begin what may take so long, and bring so much, in all."""
        for one in self._sockets:
            one.until, one.left = host_deadline(real_s), _MOST_OCTETS

    def _translated(self, error: Exception, command: str) -> InstrumentError:
        late = isinstance(error, TimeoutError) or (
            isinstance(error, pyvisa.errors.VisaIOError)
            and error.error_code == StatusCode.error_timeout
        )
        return self.silent(command, b"") if late else self.lost(_why(error), command)


def _first(fault: str) -> str:
    """Return the first sentence of what a library says."""
    return fault.partition(".")[0].strip()


def _tried(call: Callable[[], _T]) -> tuple[_T | None, str]:
    """Return what `call` gives, or None and what any exception of it says.

    PyVISA-py leaves the sockets of a failed attempt to the garbage collector, so the
    exception is not kept and the collector runs: attempts may repeat all night.
    """
    try:
        return call(), ""
    except Exception as error:
        fault = _why(error)
    gc.collect()
    return None, fault


class _HonestSocket:
    """A socket whose end is an error, and whose patience has an end in all.

    PyVISA-py goes round for ever on the empty answer of a closed socket, and waits anew
    for each piece of a message: one without an end, or pieces without content, would
    hold a driver for ever.
    """

    def __init__(self, wrapped: socket.socket) -> None:
        self._wrapped = wrapped
        self.until: Deadline | None = None
        self.left = _MOST_OCTETS

    def __getattr__(self, name: str) -> Any:
        return getattr(self._wrapped, name)

    def recv(self, size: int) -> bytes:
        data = self._in_time().recv(size)
        self._count(len(data))
        return data

    def recv_into(self, buffer: Any, size: int = 0) -> int:
        count = self._in_time().recv_into(buffer, size)
        self._count(count)
        return count

    def sendall(self, data: Any) -> None:
        self._in_time().sendall(data)

    def _in_time(self) -> socket.socket:
        if self.until is not None and self.until.passed:
            raise TimeoutError("timed out")
        return self._wrapped

    def _count(self, count: int) -> None:
        if not count:
            raise ConnectionResetError("closed by the other side")
        self.left -= count
        if self.left < 0:
            raise ConnectionAbortedError(
                f"it sent more than {_MOST_OCTETS:,} octets for one answer"
            )


def _honest_sockets(
    manager: pyvisa.ResourceManager, resource: MessageBasedResource
) -> tuple[_HonestSocket, ...]:
    """Give a network session of PyVISA-py honest sockets; none to other libraries.

    Raises ValueError for a HiSLIP server whose messages have no room for content: they
    would be sent without end.
    """
    session = getattr(manager.visalib, "sessions", {}).get(resource.session)
    client = getattr(session, "interface", None)
    most = getattr(client, "max_msg_size", None)
    if isinstance(most, int) and most <= _HEADER:
        raise ValueError(f"it tells that a message may have {most} octets")
    found = []
    for name in _SOCKETS:
        inner = getattr(client, name, None)
        if isinstance(inner, socket.socket):
            found.append(_HonestSocket(inner))
            setattr(client, name, found[-1])
    return tuple(found)


def _close(manager: pyvisa.ResourceManager, resource: Any) -> None:
    """Close a resource and drop what the pure-Python library would keep of it."""
    with contextlib.suppress(Exception):
        handle = resource.session
        with contextlib.suppress(Exception):
            resource.close()
        getattr(manager.visalib, "sessions", {}).pop(handle, None)


def _set_line(resource: Any, settings: Mapping[str, object]) -> None:
    """Set up a serial line of another VISA library."""
    stopbits = settings.get("stopbits", 1.0)
    resource.baud_rate = settings.get("baud", 9600)
    resource.data_bits = settings.get("bytesize", 8)
    resource.parity = Parity[str(settings.get("parity", "none"))]
    resource.stop_bits = StopBits(int(float(str(stopbits)) * 10))


def _why(error: Exception) -> str:
    """Return what a library's exception says, its name when it says nothing."""
    return str(error).strip().splitlines()[0] if str(error).strip() else repr(error)
