"""sysfs-thermometer and typed-in: the contract, and what is special about them."""

import os
import tempfile
import threading
from pathlib import Path

import pytest
from benchlog_drivers.sysfs_thermometer import SysfsThermometer
from benchlog_drivers.typed_in import TypedIn

from benchlog import registry
from benchlog.driver import require_options
from benchlog.errors import (
    ConfigError,
    GarbledError,
    LostError,
    NoSignalError,
    RefusedError,
)
from benchlog.testing import MALFORMED, DriverContract, HurriedClock, Peer
from benchlog.testing.faults import CLOSED, EMPTY, GARBAGE, Fault
from benchlog.testing.scripts import Behaviour

# Form of the file: Linux kernel documentation, w1_therm and the 1-wire family 0x28.
W1 = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"


class FilePeer(Peer):
    """A temperature file as the kernel writes it."""

    def __init__(self, content: str) -> None:
        super().__init__(Behaviour())
        self._good = content.encode()
        self._mending: threading.Timer | None = None
        self._folder = tempfile.TemporaryDirectory()
        self._file = Path(self._folder.name) / "temp"
        self._file.write_bytes(self._good)
        self.address = str(self._file)

    def misbehave(self, *faults: Fault) -> None:
        """Hold something else for a moment, or be away."""
        (content,) = faults[0].steps(self._good)
        if content is None:
            self._file.unlink()
        else:
            self._file.write_bytes(content)
        self._mending = threading.Timer(0.1, self._file.write_bytes, [self._good])
        self._mending.start()

    def hang_up(self) -> None:
        self._file.unlink(missing_ok=True)

    def stop(self) -> None:
        if self._mending:
            self._mending.join()
        self._folder.cleanup()


class TestMillidegreeFile(DriverContract):
    driver = SysfsThermometer
    value = 23.125
    faults = (CLOSED, EMPTY, GARBAGE)
    malformed = (*MALFORMED[:12], b"\n")
    nowhere = "/sys/class/thermal/thermal_zone99/temp"

    def peer(self) -> Peer:
        return FilePeer("23125\n")


class TestOneWireFile(TestMillidegreeFile):
    malformed = (
        W1.replace("YES", "NO").encode(),
        W1.replace("t=23125", "t=").encode(),
        W1.replace("t=23125", "t=2312x").encode(),
        W1.splitlines()[0].encode(),
        b"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n",
    )

    def peer(self) -> Peer:
        return FilePeer(W1)


class TestTypedIn(DriverContract):
    driver = TypedIn
    options = {"value": 23.4}
    value = 23.4
    faults = ()
    malformed = ()
    nowhere = None

    def peer(self) -> Peer:
        return FilePeer("")  # nobody reads it: the value is in the options


def sysfs(path: Path, **options: object) -> SysfsThermometer:
    driver = SysfsThermometer(str(path), options, HurriedClock())
    driver.open()
    return driver


@pytest.mark.parametrize(
    ("content", "options", "celsius", "step"),
    [
        ("23125\n", {}, 23.125, 1e-3),
        ("-5000\n", {}, -5.0, 1e-3),
        ("23.4\n", {}, 23.4, 0.1),
        ("234\n", {"scale": 0.1}, 23.4, 0.1),
        (W1, {}, 23.125, 1e-3),
    ],
)
def test_scales(
    tmp_path: Path,
    content: str,
    options: dict[str, object],
    celsius: float,
    step: float,
) -> None:
    file = tmp_path / "temp"
    file.write_text(content)
    sample = sysfs(file, **options).read()
    assert sample.value == pytest.approx(celsius)
    assert sample.step == pytest.approx(step)
    assert sample.raw == content.strip().encode()


@pytest.mark.parametrize("name", ["temp", "temperature", "temp1_input", "w1_slave"])
def test_a_folder_stands_for_the_file_in_it(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text(W1 if name == "w1_slave" else "23125\n")
    (tmp_path / "name").write_text("probe\n")
    driver = sysfs(tmp_path)
    assert driver.read().value == pytest.approx(23.125)
    assert driver.identify().model == "probe"


def test_a_sensor_that_is_unplugged_is_lost(tmp_path: Path) -> None:
    file = tmp_path / "temp"
    file.write_text("23125\n")
    driver = sysfs(file)
    file.unlink()
    with pytest.raises(LostError, match="is the sensor there"):
        driver.read()


def test_a_sensor_without_a_value_has_no_signal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel answers the read of a sleeping sensor with EAGAIN or ENODATA."""
    file = tmp_path / "temp"
    file.write_text("23125\n")
    driver = sysfs(file)

    def asleep(*_: object) -> bytes:
        raise OSError(61, "No data available")

    monkeypatch.setattr(os, "read", asleep)
    with pytest.raises(NoSignalError, match="no value now"):
        driver.read()


def test_what_is_no_plain_file_is_refused(tmp_path: Path) -> None:
    """A pipe would block for ever."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(RefusedError, match="not a plain file"):
        sysfs(tmp_path / "pipe")
    with pytest.raises(LostError, match="has none of"):
        sysfs(tmp_path)


def test_a_long_file_is_no_temperature(tmp_path: Path) -> None:
    file = tmp_path / "temp"
    file.write_text("1" * 100_000)
    with pytest.raises(GarbledError):
        sysfs(file).read()


def test_typed_in_says_so() -> None:
    options = {"value": 55.0, "quantity": "humidity", "unit": "%"}
    driver = TypedIn("", options, HurriedClock())
    driver.open()
    identity = driver.identify()
    assert identity.settings["typed"] == "true"
    assert identity.text == "55 %, typed in by the operator"
    assert (driver.quantity, driver.unit) == ("humidity", "%")
    sample = driver.read()
    assert (sample.value, sample.unit, sample.raw) == (55.0, "%", b"55")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "23", True, 1e13])
def test_typed_in_takes_only_numbers(value: object) -> None:
    with pytest.raises(ConfigError):
        require_options(TypedIn.options, {"value": value}, "bench.toml", "room")


def test_drivers_are_found_by_their_names() -> None:
    ours = {
        "scpi-counter",
        "line-counter",
        "scpi-thermometer",
        "scpi-meter",
        "line-thermometer",
        "sysfs-thermometer",
        "typed-in",
    }
    assert ours <= set(registry.names())
    for name in ours:
        driver = registry.load(name)
        assert driver.__module__ == f"benchlog_drivers.{name.replace('-', '_')}"
