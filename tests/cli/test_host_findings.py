"""What a computer lacks for instruments, and the remedy.

Device files and sysfs are a folder of real files, laid out as Linux does; what is
looked up on the computer itself (groups, packages, libraries) is given, so that each
case can be told.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from benchlog.cli.tasks.host.facts import HostFacts, Node, UsbInstrument, look
from benchlog.cli.tasks.host.findings import (
    HostFinding,
    instrument_findings,
    lacking_for,
    unsearched,
)
from benchlog.cli.tasks.host.ports import Port, found_ports, lasting_names

ALL_THERE = HostFacts(
    system="linux",
    python="/venv/bin/python",
    user="kim",
    groups=frozenset({"dialout", "plugdev"}),
    listed_groups=frozenset({"dialout", "plugdev"}),
    known_groups=frozenset({"dialout", "plugdev"}),
    packages={"pyserial": "3.5", "pyvisa-py": "0.8", "pyusb": "1.3"},
    gpib_module="gpib_ctypes",
    libraries=frozenset({"usb-1.0", "gpib"}),
    programs=frozenset({"ldattach", "apt-get"}),
    nodes=(
        Node(
            path="/dev/gpib0", kind="gpib", group="dialout", group_may=True, usable=True
        ),
        Node(
            path="/dev/pps0", kind="pps", group="dialout", group_may=True, usable=True
        ),
    ),
    has_usb_bus=True,
    has_usb_rule=True,
)
PORT = Node(
    path="/dev/ttyUSB0", kind="serial", group="dialout", group_may=True, usable=False
)
COUNTER = UsbInstrument(
    address="USB0::0x1234::0x5678::SN1::0::INSTR", description="Counter", node=None
)


def finding(facts: HostFacts, subject: str) -> HostFinding:
    (found,) = (one for one in instrument_findings(facts) if one.subject == subject)
    return found


def test_where_all_is_there_nothing_has_a_remedy() -> None:
    assert [one for one in instrument_findings(ALL_THERE) if one.remedy] == []
    assert all(one.ok for one in instrument_findings(ALL_THERE))


def without(**changes: object) -> HostFacts:
    return replace(ALL_THERE, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("facts", "subject", "remedy"),
    [
        (
            without(packages={"pyserial": "3.5"}),
            "pyusb",
            "/venv/bin/python -m pip install pyusb libusb-package",
        ),
        (
            without(libraries=frozenset({"gpib"})),
            "libusb",
            "/venv/bin/python -m pip install libusb-package  # or: "
            "sudo apt-get install libusb-1.0-0",
        ),
        (without(gpib_module=""), "gpib package", "-m pip install gpib-ctypes"),
        (without(libraries=frozenset({"usb-1.0"})), "gpib library", "counter-gpib-lan"),
        (without(nodes=()), "gpib adapter", "sudo modprobe gpib_common"),
        (
            without(nodes=(PORT,), groups=frozenset(), listed_groups=frozenset()),
            "serial ports",
            "sudo usermod -a -G dialout kim  # then log out and in again",
        ),
        (
            without(nodes=(PORT,), groups=frozenset()),
            "serial ports",
            "log out and in again: kim joined dialout since the log-in",
        ),
        (
            without(nodes=(replace(PORT, group="root", group_may=False),)),
            "serial ports",
            'echo \'KERNEL=="ttyUSB0", MODE="0660", GROUP="dialout"\' | sudo tee',
        ),
        (
            without(nodes=(), groups=frozenset({"plugdev"}), listed_groups=frozenset()),
            "serial ports",
            "sudo usermod -a -G dialout kim",
        ),
        (
            without(usb=(COUNTER,), has_usb_rule=False),
            "USB rights",
            'ENV{ID_USB_INTERFACES}=="*:fe03??:*"',
        ),
        (without(has_usb_rule=False), "USB rights", "sudo udevadm control --reload"),
        (
            without(has_modem_manager=True),
            "modem service",
            'ENV{ID_MM_DEVICE_IGNORE}="1"',
        ),
        (
            without(nodes=()),
            "kernel pulses",
            "sudo modprobe pps_ldisc && sudo ldattach pps /dev/ttyS0",
        ),
        (
            without(nodes=(), pps_module="loaded"),
            "kernel pulses",
            "sudo ldattach pps /dev/ttyS0",
        ),
        (
            without(nodes=(), programs=frozenset({"apt-get"})),
            "kernel pulses",
            "sudo apt-get install util-linux-extra",
        ),
        (without(nodes=(), pps_module="missing"), "kernel pulses", 'line = "dcd"'),
        (
            without(nodes=(replace(PORT, path="/dev/pps0", kind="pps", group="root"),)),
            "kernel pulses",
            'KERNEL=="pps[0-9]*"',
        ),
    ],
)
def test_each_thing_that_is_missing_has_its_remedy(
    facts: HostFacts, subject: str, remedy: str
) -> None:
    found = finding(facts, subject)
    assert not found.ok and not found.needed
    assert remedy in found.remedy
    assert found.found


def test_no_finding_needs_linux_elsewhere() -> None:
    bare = HostFacts(system="win32", packages=ALL_THERE.packages)
    told = " ".join(one.remedy for one in instrument_findings(bare))
    assert "sudo" not in told and "udev" not in told


@pytest.mark.parametrize(
    ("facts", "kinds"),
    [
        (ALL_THERE, ["gpib", "network"]),
        (without(gpib_module=""), ["gpib", "network"]),
        (without(has_usb_bus=False), ["usb", "gpib", "network"]),
        (without(packages={}, has_usb_bus=False), ["serial", "usb", "gpib", "network"]),
    ],
)
def test_no_class_that_was_not_searched_is_hidden(
    facts: HostFacts, kinds: list[str]
) -> None:
    found = unsearched(facts, asked=False, lan=False)
    assert [one.kind for one in found] == kinds
    assert all(one.why and one.remedy for one in found)


def test_what_was_searched_is_not_named() -> None:
    assert unsearched(ALL_THERE, asked=True, lan=True) == []


@pytest.mark.parametrize(
    ("address", "remedy"),
    [
        ("USB0::0x1234::0x5678::SN1::INSTR", "pip install pyusb"),
        ("GPIB0::3::INSTR", "pip install gpib-ctypes"),
        ("/dev/pps0", "ldattach"),
        ("/dev/ttyUSB0", "usermod -a -G dialout"),
        ("ASRL/dev/ttyUSB0::INSTR", "usermod -a -G dialout"),
        ("192.0.2.10:5025", ""),
    ],
)
def test_the_remedy_for_an_address_is_of_its_class(address: str, remedy: str) -> None:
    bare = HostFacts(system="linux", user="kim", nodes=(PORT,))
    found = lacking_for(bare, address)
    assert remedy in " ".join(one.remedy for one in found)
    assert bool(found) == bool(remedy)


# --- looking


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A computer with a USB-TMC counter, a stick, a board, and a modem service."""
    bus = tmp_path / "sys/bus/usb/devices"
    for device, class_, subclass in (("1-2", "fe", "03"), ("1-3", "08", "06")):
        (bus / device).mkdir(parents=True)
        (bus / f"{device}:1.0").mkdir()
        (bus / f"{device}:1.0/bInterfaceClass").write_text(f"{class_}\n")
        (bus / f"{device}:1.0/bInterfaceSubClass").write_text(f"{subclass}\n")
        (bus / f"{device}:1.0/bInterfaceNumber").write_text("00\n")
        for name, value in (
            *(("idVendor", "1234"), ("idProduct", "5678"), ("serial", "SN1")),
            *(("manufacturer", "Invented"), ("product", "Counter")),
            *(("busnum", "1"), ("devnum", device[-1])),
        ):
            (bus / device / name).write_text(f"{value}\n")
    for path in ("bus/usb/001/002", "ttyACM0", "ttyS4", "pps0"):
        (tmp_path / "dev" / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "dev" / path).write_text("")
    empty = tmp_path / "sys/devices/platform/serial8250/tty/ttyS4"
    empty.mkdir(parents=True)
    (tmp_path / "sys/class/tty/ttyS4").mkdir(parents=True)
    (tmp_path / "sys/class/tty/ttyS4/device").symlink_to(empty)
    (tmp_path / "proc/77").mkdir(parents=True)
    (tmp_path / "proc/77/comm").write_text("ModemManager\n")
    (tmp_path / "sys/module/pps_ldisc").mkdir(parents=True)
    return tmp_path


def test_usb_instruments_are_found_without_a_package_or_a_right(root: Path) -> None:
    facts = look(root)
    (counter,) = facts.usb
    assert counter.address == "USB0::0x1234::0x5678::SN1::0::INSTR"
    assert counter.description == "Invented Counter"
    assert counter.node is not None and counter.node.path.endswith("bus/usb/001/002")
    listed = found_ports(facts, ask=False)
    assert counter.address in {port.address for port in listed if port.kind == "usb"}


def test_a_usb_instrument_that_visa_lists_too_stands_once(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PyVISA-py writes vendor and product as decimal numbers: 0x1234 is 4660."""
    other = "USB0::4660::22136::SN1::0::INSTR"
    listed = [
        Port(address=other, kind="usb", visa=other),
        Port(address="GPIB0::3::INSTR", kind="gpib", visa="GPIB0::3::INSTR"),
    ]
    where = "benchlog.cli.tasks.host.ports.visa_resources"
    monkeypatch.setattr(where, lambda *_: listed)
    found = [one for one in found_ports(look(root), ask=False) if one.kind != "serial"]
    assert [one.kind for one in found] == ["gpib", "usb", "pulses"]
    assert found[1].address == "USB0::0x1234::0x5678::SN1::0::INSTR"


def test_device_files_services_and_modules_are_seen(root: Path) -> None:
    facts = look(root)
    serial = [Path(node.path).name for node in facts.of_kind("serial")]
    assert serial == ["ttyACM0"]  # ttyS4 is only a place for a port
    assert [Path(node.path).name for node in facts.of_kind("pps")] == ["pps0"]
    assert facts.has_modem_manager and facts.pps_module == "loaded"
    assert facts.has_usb_bus and not facts.has_usb_rule


def test_a_rule_of_any_folder_of_udev_counts(root: Path) -> None:
    folder = root / "etc/udev/rules.d"
    folder.mkdir(parents=True)
    (folder / "70-x.rules").write_text('ENV{ID_USB_INTERFACES}=="*:fe03??:*"\n')
    assert look(root).has_usb_rule


def test_an_empty_computer_gives_nothing_and_no_error(tmp_path: Path) -> None:
    facts = look(tmp_path)
    assert (facts.nodes, facts.usb, facts.has_usb_bus) == ((), (), False)
    assert facts.pps_module == "unknown"


def test_a_kernel_tells_whether_it_has_the_line_discipline(tmp_path: Path) -> None:
    import os

    folder = tmp_path / "lib/modules" / os.uname().release
    folder.mkdir(parents=True)
    (folder / "modules.dep").write_text("kernel/drivers/x.ko:\n")
    assert look(tmp_path).pps_module == "missing"
    (folder / "modules.dep").write_text("kernel/drivers/pps/clients/pps-ldisc.ko.xz:\n")
    assert look(tmp_path).pps_module == "there"


def test_a_name_that_lasts_leads_to_its_device(tmp_path: Path) -> None:
    device, folder = tmp_path / "ttyUSB3", tmp_path / "by-id"
    device.write_text("")
    folder.mkdir()
    (folder / "usb-invented_board_0001-if00").symlink_to(device)
    assert lasting_names(folder) == {
        str(device): str(folder / "usb-invented_board_0001-if00")
    }
    assert lasting_names(tmp_path / "nowhere") == {}
