"""`benchlog ports`: what could be an instrument; asks nothing unless told to."""

import contextlib
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import print_json, say, table
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from pyvisa import ResourceManager

EXAMPLES = (
    "benchlog ports",
    "benchlog ports --ask",
    "benchlog ports --ask --visa-library @ivi --json",
)
_OWN: Final = "@py"
_IN_SILENCE: Final = ("usb",)
_ON_REQUEST: Final = (*_IN_SILENCE, "gpib")  # listing addresses the bus
_ASK_MS: Final = 1_500


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """One place where an instrument may be, and what it said when asked."""

    address: str
    kind: str
    visa: str
    description: str = ""
    identity: str | None = None
    error: str | None = None


@make_command("ports", examples=EXAMPLES)
@click.option("--ask", is_flag=True, help="Send *IDN? to each; may reset a board.")
@click.option(
    "--visa-library",
    default=_OWN,
    show_default=True,
    metavar="NAME",
    help="The VISA library that lists and asks.",
)
@click.option(
    "--baud-rate",
    type=click.IntRange(50, 4_000_000),
    default=9600,
    show_default=True,
    help="For asking on serial ports.",
)
def command(
    ask: bool, visa_library: str, baud_rate: int, db: Path | None, as_json: bool
) -> None:
    """List serial ports and VISA resources.

    Nothing is sent unless --ask is given: opening a serial port or asking a question
    can reset a board. Instruments on the network are not searched for; write their
    address into the bench file.
    """
    del db
    found = serial_ports() + visa_resources(visa_library, ask)
    if ask:
        say(f"asking {len(found)} ports, at most {_ASK_MS / 1000:g} s each")
        found = [asked(port, visa_library, baud_rate) for port in found]
    if as_json:
        print_json(found)
    elif found:
        click.echo(_table(found))
    else:
        say("no serial port and no VISA resource here; is the cable plugged in?")


def serial_ports() -> list[Port]:
    """Return the serial ports of this machine; opens none of them."""
    from serial.tools.list_ports import comports  # type: ignore[attr-defined]

    return [
        Port(
            address=port.device,
            kind="serial",
            visa=f"ASRL{port.device}::INSTR",
            description=_described(port),
        )
        for port in sorted(comports())  # type: ignore[no-untyped-call]
    ]


def visa_resources(library: str, ask: bool) -> list[Port]:
    """Return what a VISA library lists; the one we bring along never broadcasts.

    Unless told to `ask`, only interfaces that can be listed in silence are looked at.
    Serial ports are left to `serial_ports`. Raises UsageError without such a library.
    """
    if library == _OWN:
        interfaces = _ON_REQUEST if ask else _IN_SILENCE
        return [_visa_port(name) for name in _listed(interfaces)]
    with _manager(library) as manager:
        return [_visa_port(name) for name in manager.list_resources("?*")]


def asked(port: Port, library: str, baud_rate: int) -> Port:
    """Return `port` with its answer to *IDN?, or with what stood in the way."""
    from pyvisa.resources import MessageBasedResource

    settings: dict[str, Any] = {
        "timeout": _ASK_MS,
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


def _table(ports: list[Port]) -> str:
    rows = [
        (p.address, p.kind, p.identity or p.error or p.description or "-")
        for p in ports
    ]
    return table(("address", "kind", "identity or description"), rows)
