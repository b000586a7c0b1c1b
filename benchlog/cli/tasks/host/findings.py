"""What is there and what is missing for each class of instruments, with the remedy.

Pure: `facts` looks, this makes sentences. A remedy is a command to type where there is
one; what it changes on the computer is the person's decision.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from benchlog.cli.tasks.host.facts import USBTMC_MARK, HostFacts, Node

_USB_RULE: Final = (
    'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", '
    f'ENV{{ID_USB_INTERFACES}}=="*{USBTMC_MARK}??:*", MODE="0660"'
)
_MODEM_RULE: Final = 'SUBSYSTEM=="tty", ENV{ID_MM_DEVICE_IGNORE}="1"'
_BRIDGES: Final = (
    "or reach GPIB through a bridge on the network or a serial line, which needs none "
    "of it: `benchlog bench show counter-gpib-lan`, or `counter-gpib-serial`"
)
_USB_GROUP: Final = "plugdev"
_FIRST_PORT: Final = "/dev/ttyS0"


@dataclass(frozen=True, slots=True, kw_only=True)
class HostFinding:
    """One thing that was looked at; a JSON row of `doctor`, and `needed`.

    What is not `needed` may be missing: `found` tells what does not work without it.
    """

    subject: str
    ok: bool
    found: str
    remedy: str = ""
    needed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsearched:
    """A class of instruments that was not looked at, why, and what to type."""

    kind: str
    why: str
    remedy: str


def usb_rule(facts: HostFacts) -> str:
    """Return a rule for udev that opens every USB-TMC device to its usual group.

    Whoever sits at the computer gets the right as well, where a log-in manager runs.
    """
    group = f', GROUP="{_USB_GROUP}"' if _USB_GROUP in facts.known_groups else ""
    return f'{_USB_RULE}{group}, TAG+="uaccess"'


def pip(facts: HostFacts, *packages: str) -> str:
    """Return the command that installs packages beside this benchlog."""
    return f"{facts.python} -m pip install {' '.join(packages)}"


def instrument_findings(facts: HostFacts) -> list[HostFinding]:
    """Return a finding for each thing that a class of instruments needs here."""
    return [*_serial(facts), *_usb(facts), *_gpib(facts), *_pulses(facts)]


def unsearched(facts: HostFacts, *, asked: bool, lan: bool) -> list[Unsearched]:
    """Return what `ports` could not look at, or did not as nobody asked it to."""
    found = []
    if "pyserial" not in facts.packages:
        remedy = pip(facts, "pyserial")
        found.append(Unsearched(kind="serial", why="no pyserial here", remedy=remedy))
    if not facts.has_usb_bus:
        found.append(_no_usb_bus(facts))
    lacking = [one for one in _gpib(facts) if not one.ok]
    if lacking:
        why, remedy = lacking[0].found, lacking[0].remedy
        found.append(Unsearched(kind="gpib", why=why, remedy=remedy))
    elif not asked:
        why = "listing addresses every instrument on the bus"
        found.append(Unsearched(kind="gpib", why=why, remedy="benchlog ports --ask"))
    if not lan:
        why = "nothing is sent unless you name its interface"
        remedy = "benchlog ports --lan eth0"
        found.append(Unsearched(kind="network", why=why, remedy=remedy))
    return found


def lacking_for(facts: HostFacts, address: str) -> list[HostFinding]:
    """Return what is missing on this computer for an address, the first thing first."""
    upper = address.upper()
    if upper.startswith("USB"):
        found = _usb(facts)
    elif upper.startswith("GPIB"):
        found = _gpib(facts)
    elif address.startswith("/dev/pps"):
        found = _pulses(facts)
    elif address.startswith("/dev/") or upper.startswith("ASRL/DEV/"):
        found = _serial(facts)
    else:
        return []
    return [one for one in found if not one.ok]


def _serial(facts: HostFacts) -> Iterator[HostFinding]:
    ports = facts.of_kind("serial")
    closed = [node for node in ports if not node.usable]
    names = ", ".join(node.path for node in closed or ports) or "none plugged in"
    if closed:
        found, remedy = f"no right to use {names}", _into(facts, closed[0])
    elif facts.is_linux and not ports and not _may(facts, facts.serial_group):
        found = f"{names}; {facts.user} is not in group {facts.serial_group}"
        remedy = _join(facts, facts.serial_group)
    else:
        found, remedy = names, ""
    yield HostFinding(subject="serial ports", ok=not remedy, found=found, remedy=remedy)
    if facts.has_modem_manager:
        yield HostFinding(
            subject="modem service",
            ok=False,
            found="it sends to serial ports that are plugged in, to see if they answer",
            remedy=_rule(_MODEM_RULE, "70-no-modems"),
        )


def _usb(facts: HostFacts) -> Iterator[HostFinding]:
    yield _package(facts, "pyusb", "for USB-TMC instruments", "pyusb", "libusb-package")
    from_package = "libusb-package" in facts.packages
    has = "usb-1.0" in facts.libraries or from_package
    apt = "sudo apt-get install libusb-1.0-0" if "apt-get" in facts.programs else ""
    commands = [pip(facts, "libusb-package"), *([apt] if apt else [])]
    yield HostFinding(
        subject="libusb",
        ok=has,
        found="from the package libusb-package"
        if from_package
        else "libusb-1.0 of the system"
        if has
        else "no system library libusb-1.0, for USB-TMC instruments",
        remedy="" if has else "  # or: ".join(commands),
    )
    yield from _usb_rights(facts)


def _usb_rights(facts: HostFacts) -> Iterator[HostFinding]:
    closed = [one for one in facts.usb if one.node is None or not one.node.usable]
    subject, rule = "USB rights", _rule(usb_rule(facts), "70-usb-instruments")
    if closed:
        found = f"no right to use {closed[0].address}"
        joined = "" if _may(facts, _USB_GROUP) else f" && {_join(facts, _USB_GROUP)}"
        remedy = _join(facts, _USB_GROUP) if facts.has_usb_rule else rule + joined
        yield HostFinding(subject=subject, ok=False, found=found, remedy=remedy)
    elif facts.usb:
        found = ", ".join(one.address for one in facts.usb)
        yield HostFinding(subject=subject, ok=True, found=found)
    elif facts.is_linux and not facts.is_root and not facts.has_usb_rule:
        found = "no rule for udev opens USB-TMC instruments; none is plugged in"
        yield HostFinding(subject=subject, ok=False, found=found, remedy=rule)
    elif facts.is_linux and not _may(facts, _USB_GROUP):
        found = f"none is plugged in; {facts.user} is not in group {_USB_GROUP}"
        remedy = _join(facts, _USB_GROUP)
        yield HostFinding(subject=subject, ok=False, found=found, remedy=remedy)
    else:
        yield HostFinding(subject=subject, ok=True, found="none is plugged in")


def _gpib(facts: HostFacts) -> Iterator[HostFinding]:
    yield HostFinding(
        subject="gpib package",
        ok=bool(facts.gpib_module),
        found=facts.gpib_module or "no package gpib-ctypes, for GPIB adapters",
        remedy="" if facts.gpib_module else pip(facts, "gpib-ctypes"),
    )
    has = "gpib" in facts.libraries
    yield HostFinding(
        subject="gpib library",
        ok=has,
        found="libgpib" if has else "no system library libgpib, for GPIB adapters",
        remedy=""
        if has
        else 'install the adapter\'s driver with libgpib, or set visa_library = "@ivi" '
        f"in the bench file where its maker has a VISA library; {_BRIDGES}",
    )
    nodes = facts.of_kind("gpib")
    closed = [node for node in nodes if not node.usable]
    if closed:
        found = f"no right to use {closed[0].path}"
        remedy = _into(facts, closed[0], _node_rule(facts, "gpib[0-9]*"))
        yield HostFinding(subject="gpib adapter", ok=False, found=found, remedy=remedy)
    elif has and facts.is_linux and not nodes:
        remedy = "sudo modprobe gpib_common && sudo gpib_config"
        found = "no /dev/gpib0: the kernel has no adapter set up"
        yield HostFinding(subject="gpib adapter", ok=False, found=found, remedy=remedy)


def _pulses(facts: HostFacts) -> Iterator[HostFinding]:
    subject, nodes = "kernel pulses", facts.of_kind("pps")
    closed = [node for node in nodes if not node.usable]
    if not facts.is_linux:
        found = "only Linux stamps pulses in the kernel; modem lines work without"
        yield HostFinding(subject=subject, ok=True, found=found)
    elif closed:
        found = f"no right to use {closed[0].path}"
        remedy = _into(facts, closed[0], _node_rule(facts, "pps[0-9]*"))
        yield HostFinding(subject=subject, ok=False, found=found, remedy=remedy)
    elif nodes:
        found = ", ".join(node.path for node in nodes)
        yield HostFinding(subject=subject, ok=True, found=found)
    else:
        found, remedy = _no_pulses(facts)
        yield HostFinding(subject=subject, ok=False, found=found, remedy=remedy)


def _no_pulses(facts: HostFacts) -> tuple[str, str]:
    ports = facts.of_kind("serial")
    port = ports[0].path if ports else _FIRST_PORT
    attach = f"sudo ldattach pps {port}"
    if "ldattach" not in facts.programs:
        attach = f"sudo apt-get install util-linux-extra && {attach}"
    match facts.pps_module:
        case "loaded":
            found = "no /dev/pps0: the line discipline is loaded, but on no port"
            return found, attach
        case "missing":
            found = "no /dev/pps0, and this kernel was built without pps_ldisc"
            remedy = (
                "take a kernel that has it, or a modem line instead (line = "
                '"dcd": stamps of some 0.1 ms)'
            )
            return found, remedy
    found = "no /dev/pps0, for pulses that the kernel stamps"
    return found, f"sudo modprobe pps_ldisc && {attach}"


def _package(facts: HostFacts, name: str, use: str, *wanted: str) -> HostFinding:
    version = facts.packages.get(name)
    return HostFinding(
        subject=name,
        ok=version is not None,
        found=version or f"no package {name}, {use}",
        remedy="" if version else pip(facts, *wanted),
    )


def _no_usb_bus(facts: HostFacts) -> Unsearched:
    if "pyusb" not in facts.packages:
        why = "no USB bus is shown here (/sys/bus/usb), and no package pyusb"
        remedy = pip(facts, "pyusb", "libusb-package")
        return Unsearched(kind="usb", why=why, remedy=remedy)
    why = "no USB bus is shown here (/sys/bus/usb)"
    remedy = "hand the bus over, if this is a container or a virtual machine"
    return Unsearched(kind="usb", why=why, remedy=remedy)


def _may(facts: HostFacts, group: str) -> bool:
    return facts.is_root or group in facts.groups


def _into(facts: HostFacts, node: Node, rule: str = "") -> str:
    """Return how to get the right to a device file: by its group, else by a rule."""
    if node.group_may and node.group not in ("root", "0"):
        return _join(facts, node.group)
    group = facts.serial_group
    made = rule or _node_rule(facts, node.path.rpartition("/")[2])
    return made if _may(facts, group) else f"{made} && {_join(facts, group)}"


def _join(facts: HostFacts, group: str) -> str:
    if group in facts.listed_groups and group not in facts.groups:
        return f"log out and in again: {facts.user} joined {group} since the log-in"
    return f"sudo usermod -a -G {group} {facts.user}  # then log out and in again"


def _node_rule(facts: HostFacts, kernel_name: str) -> str:
    """Return how to give device files of this name to the group of serial ports."""
    rule = f'KERNEL=="{kernel_name}", MODE="0660", GROUP="{facts.serial_group}"'
    return _rule(rule, f"70-{kernel_name.partition('[')[0].lower()}")


def _rule(rule: str, name: str) -> str:
    return (
        f"echo '{rule}' | sudo tee /etc/udev/rules.d/{name}.rules && "
        "sudo udevadm control --reload && sudo udevadm trigger"
    )
