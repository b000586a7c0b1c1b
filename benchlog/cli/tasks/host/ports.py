"""What could be an instrument on this computer; asks nothing unless told to."""

import contextlib
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.tasks.host.facts import HostFacts
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from pyvisa import ResourceManager

OWN: Final = "@py"
ASK_MS: Final = 1_500
_IN_SILENCE: Final = ("usb",)
_ON_REQUEST: Final = (*_IN_SILENCE, "gpib")  # listing addresses the bus
_BY_ID: Final = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """One place where an instrument may be, and what it said when asked.

    `lasting` is a name that stays with the device in whatever order devices are plugged
    in; empty where there is none.
    """

    address: str
    kind: str
    visa: str
    description: str = ""
    lasting: str = ""
    identity: str | None = None
    error: str | None = None

    @property
    def best(self) -> str:
        """The address to write into a bench file."""
        return self.lasting or self.address


def serial_ports() -> list[Port]:
    """Return the serial ports of this machine; opens none of them."""
    from serial.tools.list_ports import comports  # type: ignore[attr-defined]

    lasting = lasting_names(_BY_ID)
    return [
        Port(
            address=port.device,
            kind="serial",
            visa=f"ASRL{port.device}::INSTR",
            description=_described(port),
            lasting=lasting.get(port.device, ""),
        )
        for port in sorted(comports())  # type: ignore[no-untyped-call]
    ]


def lasting_names(folder: Path) -> dict[str, str]:
    """Return the names by identity that udev keeps in a folder, by device file."""
    found: dict[str, str] = {}
    with contextlib.suppress(OSError):
        for link in sorted(folder.iterdir()):
            found.setdefault(str(link.resolve()), str(link))
    return found


def visa_resources(library: str, ask: bool) -> list[Port]:
    """Return what a VISA library lists; the one we bring along never broadcasts.

    Unless told to `ask`, only interfaces that can be listed in silence are looked at.
    Serial ports are left to `serial_ports`. Raises UsageError without such a library.
    """
    if library == OWN:
        interfaces = _ON_REQUEST if ask else _IN_SILENCE
        return [_visa_port(name) for name in _listed(interfaces)]
    with _manager(library) as manager:
        return [_visa_port(name) for name in manager.list_resources("?*")]


def found_ports(facts: HostFacts, library: str = OWN, *, ask: bool) -> list[Port]:
    """Return serial ports, what VISA lists, and what the kernel lists besides it.

    The kernel knows USB-TMC and pulse devices without any package and any right.
    """
    ports = serial_ports() if "pyserial" in facts.packages else []
    ports += visa_resources(library, ask)
    seen = {_usb_key(one.address) for one in facts.usb}
    ports = [
        one for one in ports if one.kind != "usb" or _usb_key(one.address) not in seen
    ]
    ports += [
        Port(address=u.address, kind="usb", visa=u.address, description=u.description)
        for u in facts.usb
    ]
    stamps = "pulses stamped by the kernel"
    ports += [
        Port(address=node.path, kind="pulses", visa="", description=stamps)
        for node in facts.of_kind("pps")
    ]
    return ports


def _usb_key(address: str) -> tuple[object, ...]:
    """Return what two spellings of a USB address have in common.

    Vendor and product are decimal in one and hexadecimal in the other.
    """
    parts = address.upper().split("::")
    with contextlib.suppress(ValueError, IndexError):
        return (int(parts[1], 0), int(parts[2], 0), parts[3])
    return (address,)


def lan_ports(interfaces: Sequence[str]) -> list[Port]:
    """Return what answers on the networks of these interfaces; see `lan`.

    Raises UsageError when there is no such interface.
    """
    from benchlog.cli.tasks.host.lan import interface, search

    places = [interface(name) for name in interfaces]
    heard = {one.address: one for place in places for one in search(place)}
    return [
        Port(
            address=one.address,
            kind="network",
            visa=as_resource(one.address),
            description=one.description,
        )
        for one in heard.values()
    ]


def as_resource(address: str) -> str:
    """Return what PyVISA calls an address of ours."""
    from benchlog.driver_kit.connect import visa_resource

    return visa_resource(address)


def asked(port: Port, library: str, baud_rate: int) -> Port:
    """Return `port` with its answer to *IDN?, or with what stood in the way.

    A port that cannot be asked, such as one of pulses, comes back as it was.
    """
    if not port.visa:
        return port
    from pyvisa.resources import MessageBasedResource

    settings: dict[str, Any] = {
        "timeout": ASK_MS,
        "read_termination": "\n",
        "write_termination": "\n",
    }
    if port.visa.upper().startswith("ASRL"):
        settings["baud_rate"] = baud_rate
    with _manager(library) as manager:
        try:
            with manager.open_resource(port.visa, **settings) as instrument:
                assert isinstance(instrument, MessageBasedResource)
                answer = instrument.query("*IDN?").strip()
        except Exception as error:  # VISA libraries raise nearly anything
            return replace(port, error=f"no answer to *IDN?: {_short(error)}")
    return replace(port, identity=answer)


@contextlib.contextmanager
def _manager(library: str) -> "Iterator[ResourceManager]":
    import pyvisa

    try:
        manager = pyvisa.ResourceManager(library)
    except (OSError, ValueError, pyvisa.errors.Error) as error:
        raise UsageError(
            f"there is no VISA library {library!r} here ({_short(error)}); "
            f"leave --visa-library out for the one that comes with benchlog"
        ) from error
    try:
        yield manager
    finally:
        manager.close()


def _listed(interfaces: tuple[str, ...]) -> list[str]:
    import pyvisa_py  # noqa: F401 - registers its sessions
    from pyvisa_py.sessions import Session

    names: list[str] = []
    for (interface, _), session in Session.iter_valid_session_classes():
        if interface.name not in interfaces:
            continue
        with warnings.catch_warnings(), contextlib.suppress(Exception):
            warnings.simplefilter("ignore")
            names += session.list_resources()  # without rights to the bus: none
    return sorted(set(names))


def _visa_port(name: str) -> Port:
    kind = name.split("::", maxsplit=1)[0].rstrip("0123456789").lower()
    return Port(
        address=name, kind="serial" if kind.startswith("asrl") else kind, visa=name
    )


def _described(port: Any) -> str:
    return "" if port.description in (None, "n/a") else str(port.description)


def _short(error: Exception) -> str:
    said = str(error).strip() or "no message"
    return f"{type(error).__name__}: {said.splitlines()[0]}"
