"""Looking for instruments on a network, only on an interface that a person named.

Two questions are sent to everybody there, and answers are waited for: a broadcast of
VXI-11 (where is your core channel? portmapper of RFC 1833) and a one-shot query of
multicast DNS for the services of instruments (RFC 6762, 5.1 and 6.7).
Answers come from anybody and are read with care.
"""

import contextlib
import ipaddress
import socket
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Final

from benchlog.clock import host_deadline
from benchlog.errors import UsageError
from benchlog.units import printable

WAIT_S: Final = 1.5
PORTMAPPER: Final = 111
MDNS: Final = ("224.0.0.251", 5353)
_CORE_CHANNEL: Final = (0x0607AF, 1)
"""Program and version of the VXI-11 core channel."""
_PORTMAP: Final = (100_000, 2)
_GETPORT, _CALL, _REPLY, _TCP = 3, 0, 1, 6
_XID: Final = 0x62636C67
_SERVICES: Final = ("_hislip", "_vxi-11", "_scpi-raw")
_HISLIP_PORT: Final = 4880
_PTR, _SRV, _IN = 12, 33, 1
_MOST: Final = 200
_MAX_JUMPS: Final = 20
_SIOCGIFADDR, _SIOCGIFBRDADDR = 0x8915, 0x8919


@dataclass(frozen=True, slots=True)
class Interface:
    """A network interface: its own IPv4 address, and that of everybody on it."""

    address: str
    broadcast: str


@dataclass(frozen=True, slots=True)
class Heard:
    """An instrument that answered: the address for a bench file, and how it said so."""

    address: str
    description: str


def interface(name: str) -> Interface:
    """Return the interface of this name (`eth0`) or address (`192.0.2.5/24`).

    Raises UsageError when there is none with an IPv4 address.
    """
    if "/" in name:
        try:
            own = ipaddress.IPv4Interface(name)
        except ValueError as error:
            raise UsageError(
                f"{name!r} is no address with its length ({error}); write "
                "192.0.2.5/24, or the interface's name"
            ) from error
        return Interface(str(own.ip), str(own.network.broadcast_address))
    try:
        import fcntl  # not on every system

        request = struct.pack("256s", name.encode()[:15])
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            own_, all_ = (
                socket.inet_ntoa(fcntl.ioctl(asked.fileno(), one, request)[20:24])
                for one in (_SIOCGIFADDR, _SIOCGIFBRDADDR)
            )
    except (ImportError, OSError, UnicodeError) as error:
        known = ", ".join(one for _, one in socket.if_nameindex())
        raise UsageError(
            f"no network interface {name!r} with an IPv4 address here; of {known} name "
            "one that has, or write your own address with its length: 192.0.2.5/24"
        ) from error
    if ipaddress.IPv4Address(own_).is_loopback:  # it names no broadcast
        all_ = str(ipaddress.IPv4Interface(f"{own_}/8").network.broadcast_address)
    return Interface(own_, all_)


def search(
    on: Interface,
    *,
    wait_s: float = WAIT_S,
    portmapper: int = PORTMAPPER,
    mdns: tuple[str, int] = MDNS,
) -> list[Heard]:
    """Ask on one interface; return who answered within `wait_s` each, sorted.

    At most 200 are told of: one who answers may tell of any number. An interface that
    takes neither broadcast nor multicast gives nothing.
    """
    found: dict[str, Heard] = {}
    answers = chain(_by_vxi11(on, wait_s, portmapper), _by_mdns(on, wait_s, mdns))
    for heard in answers:
        found.setdefault(heard.address, heard)
        if len(found) >= _MOST:
            break
    return [found[address] for address in sorted(found)]


def _by_vxi11(on: Interface, wait_s: float, port: int) -> Iterator[Heard]:
    call = struct.pack(
        ">14I",
        *(_XID, _CALL, 2, *_PORTMAP, _GETPORT),
        *(0, 0, 0, 0),  # no credentials
        *(*_CORE_CHANNEL, _TCP, 0),
    )
    for data, host in _answers(on, call, (on.broadcast, port), wait_s):
        if len(data) >= 28:
            xid, reply, denied, _, _, status, at = struct.unpack(">7I", data[:28])
            if (xid, reply, denied, status) == (_XID, _REPLY, 0, 0) and at:
                yield Heard(f"TCPIP::{host}::inst0::INSTR", "VXI-11")


def _by_mdns(on: Interface, wait_s: float, group: tuple[str, int]) -> Iterator[Heard]:
    question = struct.pack(">6H", _XID & 0xFFFF, 0, len(_SERVICES), 0, 0, 0)
    for service in _SERVICES:
        question += _encoded(f"{service}._tcp.local")
        question += struct.pack(">2H", _PTR, _IN)
    for data, host in _answers(on, question, group, wait_s):
        with contextlib.suppress(ValueError, struct.error, IndexError):
            yield from _announced(data, host)


def _announced(data: bytes, host: str) -> Iterator[Heard]:
    """Read one answer of multicast DNS: services, with their ports where they stand."""
    ports: dict[str, int] = {}
    names: list[tuple[str, str]] = []
    for name, kind, start, length in _records(data):
        if kind == _SRV:
            ports[name] = struct.unpack(">H", data[start + 4 : start + 6])[0]
        elif kind == _PTR and length:
            names.append((name.split(".")[0], _name(data, start)[0]))
    for service, instance in names:
        address = _address(service, host, ports.get(instance))
        if address:
            said = printable(instance.split("._")[0])[:60]
            yield Heard(address, f"{said} ({service.lstrip('_')})")


def _address(service: str, host: str, port: int | None) -> str:
    """Return what a bench file calls a service, empty where that is not known."""
    if service == "_vxi-11":
        return f"TCPIP::{host}::inst0::INSTR"
    if service == "_hislip":
        at = "" if port in (None, _HISLIP_PORT) else f",{port}"
        return f"TCPIP::{host}::hislip0{at}::INSTR"
    return f"{host}:{port}" if service == "_scpi-raw" and port else ""


def _records(data: bytes) -> Iterator[tuple[str, int, int, int]]:
    """Yield name, type, and where the contents lie, of each record of an answer."""
    _, flags, questions, *counts = struct.unpack(">6H", data[:12])
    if not flags & 0x8000:  # a question of somebody else
        return
    at = 12
    if questions > len(_SERVICES):  # RFC 6762, 6.7: those that were asked
        raise ValueError("questions that nobody asked")
    for _ in range(questions):
        at = _name(data, at)[1] + 4
    for _ in range(min(sum(counts), _MOST)):
        name, at = _name(data, at)
        kind, _, _, length = struct.unpack(">HHIH", data[at : at + 10])
        yield name, kind, at + 10, length
        at += 10 + length


def _name(data: bytes, at: int) -> tuple[str, int]:
    """Return a name and where it ends. Raises ValueError for one without end."""
    labels: list[str] = []
    end = -1
    for _ in range(_MAX_JUMPS * 10):
        size = data[at]
        if size & 0xC0 == 0xC0:  # the rest stands elsewhere
            end = at + 2 if end < 0 else end
            at = struct.unpack(">H", data[at : at + 2])[0] & 0x3FFF
        elif size:
            labels.append(data[at + 1 : at + 1 + size].decode("utf-8", "replace"))
            at += 1 + size
        else:
            return ".".join(labels), at + 1 if end < 0 else end
    raise ValueError("a name without end")


def _encoded(name: str) -> bytes:
    parts = [label.encode() for label in name.split(".")]
    return b"".join(bytes([len(one)]) + one for one in parts) + b"\0"


def _answers(
    on: Interface, question: bytes, to: tuple[str, int], wait_s: float
) -> Iterator[tuple[bytes, str]]:
    """Send a question on one interface; yield what comes back, and from where."""
    limit = host_deadline(wait_s)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        asking.setsockopt(
            socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(on.address)
        )
        asking.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
        try:
            asking.bind((on.address, 0))
            asking.sendto(question, to)
        except OSError:
            return
        for _ in range(_MOST):
            asking.settimeout(max(0.001, limit.left_s()))
            try:
                data, (host, _) = asking.recvfrom(9_000)
            except OSError:
                return
            yield data, host
