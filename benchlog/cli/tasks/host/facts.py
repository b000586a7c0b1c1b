"""Looking at this computer: device files, rights, packages, libraries. Changes nothing.

Everything that is found is data; `findings` makes sentences and remedies of it. A place
that cannot be looked at gives nothing, never an error: this runs on broken systems.
"""

import contextlib
import ctypes
import os
import shutil
import stat
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Final

PACKAGES: Final = ("pyserial", "pyvisa", "pyvisa-py", "pyusb", "libusb-package")
GPIB_MODULES: Final = ("gpib_ctypes", "gpib")
"""What PyVISA-py takes as a binding to GPIB, the best first."""
_LIBRARIES: Final = {
    "usb-1.0": ("libusb-1.0.so.0", "libusb-1.0.dylib", "libusb-1.0.dll"),
    "gpib": ("libgpib.so.0", "libgpib.so"),
}
_PROGRAMS: Final = ("ldattach", "modprobe", "udevadm", "apt-get")
_ALSO_IN: Final = ("/usr/sbin", "/sbin")
_RULES: Final = (
    *("/etc/udev/rules.d", "/run/udev/rules.d"),
    *("/usr/local/lib/udev/rules.d", "/usr/lib/udev/rules.d", "/lib/udev/rules.d"),
)
USBTMC_MARK: Final = ":fe03"
"""How a rule for udev names every USB-TMC device: interface class FE, subclass 03."""
_NODES: Final = {
    "serial": ("ttyUSB*", "ttyACM*", "ttyS*", "ttyAMA*"),
    "pps": ("pps*",),
    "gpib": ("gpib*",),
}
_SERIAL_GROUPS: Final = ("dialout", "uucp")
_MANAGER: Final = "ModemManager"


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A device file: who may use it, and whether this process may."""

    path: str
    kind: str
    group: str
    group_may: bool
    usable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbInstrument:
    """A USB-TMC device as the kernel lists it; `node` is its device file."""

    address: str
    description: str
    node: Node | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HostFacts:
    """What was found. `groups` hold now, `listed_groups` from the next log-in on."""

    system: str = sys.platform
    python: str = sys.executable
    user: str = ""
    is_root: bool = False
    groups: frozenset[str] = frozenset()
    listed_groups: frozenset[str] = frozenset()
    known_groups: frozenset[str] = frozenset()
    packages: Mapping[str, str] = field(default_factory=dict)
    gpib_module: str = ""
    libraries: frozenset[str] = frozenset()
    programs: frozenset[str] = frozenset()
    nodes: tuple[Node, ...] = ()
    has_usb_bus: bool = False
    usb: tuple[UsbInstrument, ...] = ()
    has_usb_rule: bool = False
    has_modem_manager: bool = False
    pps_module: str = "unknown"  # loaded | there | missing | unknown

    @property
    def is_linux(self) -> bool:
        """Whether groups, udev and kernel modules mean anything."""
        return self.system == "linux"

    @property
    def serial_group(self) -> str:
        """The group that serial ports belong to."""
        owners = {node.group for node in self.of_kind("serial") if node.group_may}
        for known in (owners, self.known_groups):
            for name in _SERIAL_GROUPS:
                if name in known:
                    return name
        return _SERIAL_GROUPS[0]

    def of_kind(self, kind: str) -> tuple[Node, ...]:
        """Return the device files of a kind."""
        return tuple(node for node in self.nodes if node.kind == kind)


def look(root: Path = Path("/")) -> HostFacts:
    """Look at this computer; `root` stands for / in tests."""
    user, listed = _account()
    names = _group_names()
    bus = root / "sys/bus/usb/devices"
    return HostFacts(
        user=user,
        is_root=hasattr(os, "geteuid") and os.geteuid() == 0,
        groups=frozenset(names[gid] for gid in _gids() if gid in names),
        listed_groups=listed,
        known_groups=frozenset(names.values()),
        packages=_versions(PACKAGES),
        gpib_module=next((name for name in GPIB_MODULES if _is_module(name)), ""),
        libraries=frozenset(name for name in _LIBRARIES if _loads(name)),
        programs=frozenset(name for name in _PROGRAMS if _program(name)),
        nodes=_nodes(root, names),
        has_usb_bus=bus.is_dir(),
        usb=_usb(bus, root / "dev/bus/usb", names),
        has_usb_rule=_has_rule(root),
        has_modem_manager=_runs(root / "proc", _MANAGER),
        pps_module=_pps_module(root),
    )


def _account() -> tuple[str, frozenset[str]]:
    """Return the user's name and the groups that the account lists."""
    try:
        import grp
        import pwd
    except ImportError:
        return "", frozenset()
    try:
        name = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid()), frozenset()
    groups = grp.getgrall()
    return name, frozenset(one.gr_name for one in groups if name in one.gr_mem)


def _group_names() -> dict[int, str]:
    try:
        import grp
    except ImportError:
        return {}
    return {one.gr_gid: one.gr_name for one in grp.getgrall()}


def _gids() -> set[int]:
    return {*os.getgroups(), os.getegid()} if hasattr(os, "getgroups") else set()


def _versions(names: Iterable[str]) -> dict[str, str]:
    found = {}
    for name in names:
        with contextlib.suppress(metadata.PackageNotFoundError):
            found[name] = metadata.version(name)
    return found


def _is_module(name: str) -> bool:
    from importlib.util import find_spec

    with contextlib.suppress(ImportError, ValueError):
        return find_spec(name) is not None
    return False


def _loads(name: str) -> bool:
    """Whether a system library can be loaded, or comes with a package."""
    for file in _LIBRARIES[name]:
        with contextlib.suppress(OSError):
            ctypes.CDLL(file)
            return True
    return False


def _program(name: str) -> str | None:
    return shutil.which(name) or shutil.which(name, path=os.pathsep.join(_ALSO_IN))


def _nodes(root: Path, names: Mapping[int, str]) -> tuple[Node, ...]:
    found = []
    for kind, patterns in _NODES.items():
        for pattern in patterns:
            for path in sorted((root / "dev").glob(pattern)):
                node = _node(path, kind, names)
                if node is not None and not _is_empty_port(root, path.name):
                    found.append(node)
    return tuple(found)


def _is_empty_port(root: Path, name: str) -> bool:
    """Whether this is a serial port that the kernel only keeps a place for."""
    device = root / "sys/class/tty" / name / "device"
    return "platform/serial8250" in os.path.realpath(device)


def _node(path: Path, kind: str, names: Mapping[int, str]) -> Node | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return Node(
        path=str(path),
        kind=kind,
        group=names.get(status.st_gid, str(status.st_gid)),
        group_may=status.st_mode & stat.S_IRGRP != 0
        and status.st_mode & stat.S_IWGRP != 0,
        usable=os.access(path, os.R_OK | os.W_OK),
    )


def _usb(bus: Path, dev: Path, names: Mapping[int, str]) -> tuple[UsbInstrument, ...]:
    """Return the USB-TMC devices (interface class FE, subclass 03), asking nobody."""
    found = []
    for interface in sorted(bus.glob("*:*")):
        if (
            _read(interface / "bInterfaceClass"),
            _read(interface / "bInterfaceSubClass"),
        ) != ("fe", "03"):
            continue
        device = bus / interface.name.partition(":")[0]
        found.append(_usb_instrument(device, interface, dev, names))
    return tuple(found)


def _usb_instrument(
    device: Path, interface: Path, dev: Path, names: Mapping[int, str]
) -> UsbInstrument:
    serial = _read(device / "serial") or "*"
    number = int(_read(interface / "bInterfaceNumber") or "0", 16)
    vendor, product = _read(device / "idVendor"), _read(device / "idProduct")
    words = (_read(device / "manufacturer"), _read(device / "product"))
    where = [_read(device / name).zfill(3) for name in ("busnum", "devnum")]
    return UsbInstrument(
        address=f"USB0::0x{vendor}::0x{product}::{serial}::{number}::INSTR",
        description=" ".join(word for word in words if word),
        node=_node(dev.joinpath(*where), "usb", names),
    )


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8", "backslashreplace").strip()
    except OSError:
        return ""


def _has_rule(root: Path) -> bool:
    """Whether a rule for udev names USB-TMC devices as a class."""
    for folder in _RULES:
        for path in sorted((root / folder.lstrip("/")).glob("*.rules")):
            if USBTMC_MARK in _read(path):
                return True
    return False


def _runs(proc: Path, name: str) -> bool:
    wanted = name[:15]  # as much as the kernel keeps of a name
    return any(_read(path) == wanted for path in proc.glob("[0-9]*/comm"))


def _pps_module(root: Path) -> str:
    """Return what is known of the line discipline that stamps pulses."""
    if (root / "sys/module/pps_ldisc").is_dir():
        return "loaded"
    release = os.uname().release if hasattr(os, "uname") else ""
    folder = root / "lib/modules" / release
    lists = [_read(folder / name) for name in ("modules.dep", "modules.builtin")]
    if not any(lists):
        return "unknown"
    return "there" if any("pps-ldisc.ko" in text for text in lists) else "missing"
