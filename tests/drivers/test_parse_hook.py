"""A stranger's driver for an instrument that only talks, whose lines want code."""

import os
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest
from warm_program import run

from benchlog.driver import Option
from benchlog.driver_kit import SERIAL_OPTIONS, LineDriver
from benchlog.errors import GarbledError, NoSignalError
from benchlog.testing import (
    MALFORMED,
    UNCODED_FAULTS,
    DriverContract,
    Peer,
    PtyPeer,
    Talker,
    TcpPeer,
)
from benchlog.testing.clocks import HurriedClock

HERTZ = 15_999_852


def hex_line(hertz: int) -> str:
    """Hertz as hexadecimal digits, `*`, and the sum of the digits' codes."""
    digits = f"{hertz:X}"
    return f"{digits}*{sum(digits.encode()) % 256:02X}"


class HexCounter(LineDriver):
    """A counter that sends hexadecimal digits with a check sum."""

    quantity = "frequency"
    unit = "Hz"
    options = (
        Option("gate_s", float, 1.0, "the gate it uses, in seconds", low=1e-3),
        *SERIAL_OPTIONS,
    )

    def parse(self, line: bytes) -> float | None:
        if line.startswith(b"#"):
            return None
        digits, _, check = line.strip().partition(b"*")
        if len(check) != 2 or int(check, 16) != sum(digits) % 256:
            raise ValueError("the check sum is wrong")
        if digits == b"0":
            raise NoSignalError("no signal", address=self.address, raw=line)
        return float(int(digits, 16))


WRONG_SUM = b"F4238C*00\n"


class TestHexCounterTcp(DriverContract):
    driver = HexCounter
    options = {"gate_s": 0.02}
    value = float(HERTZ)
    faults = UNCODED_FAULTS
    malformed = (*MALFORMED, WRONG_SUM)

    def peer(self) -> Peer:
        return TcpPeer(Talker(lambda: hex_line(HERTZ), interval_s=0.02))


class TestHexCounterPty(TestHexCounterTcp):
    nowhere = "/dev/not-a-port"
    malformed = (WRONG_SUM,)

    def peer(self) -> Peer:
        return PtyPeer(Talker(lambda: hex_line(HERTZ), interval_s=0.02))


def opened(*lines: str) -> Iterator[HexCounter]:
    waiting = iter([hex_line(1), *lines])
    talker = Talker(lambda: next(waiting, hex_line(HERTZ)), interval_s=0.02)
    with TcpPeer(talker) as peer:
        driver = HexCounter(peer.address, {"gate_s": 0.02}, HurriedClock())
        driver.open()
        try:
            yield driver
        finally:
            driver.close()


def test_a_line_that_is_no_measurement_is_passed_over() -> None:
    for driver in opened("# warming up", hex_line(7)):
        assert driver.read().value == 7.0


def test_a_malformed_line_is_told_with_the_reason_and_the_line() -> None:
    for driver in opened("7*00"):
        with pytest.raises(GarbledError, match="the check sum is wrong") as caught:
            driver.read()
        assert caught.value.raw.strip() == b"7*00"


@pytest.mark.parametrize(
    ("made", "told"), [(True, "no number"), ("7", "no number"), (float("nan"), "nan")]
)
def test_what_parse_returns_must_be_a_finite_number(
    made: object, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(HexCounter, "parse", lambda *_: made)
    for driver in opened():
        with pytest.raises(GarbledError, match=told):
            driver.read()


def test_neither_dialect_nor_parse_is_a_fault_of_the_driver() -> None:
    class Unfinished(LineDriver):
        """Has neither."""

        quantity, unit = "frequency", "Hz"

    with TcpPeer(Talker(lambda: "1", interval_s=0.02)) as peer:
        driver = Unfinished(peer.address, {}, HurriedClock())
        driver.open()
        try:
            with pytest.raises(NotImplementedError, match="a parse of its own"):
                driver.read()
        finally:
            driver.close()


def test_the_suite_tells_which_line_was_read_as_what() -> None:
    class Careless(HexCounter):
        """Looks at no check sum."""

        def parse(self, line: bytes) -> float | None:
            return float(int(line.partition(b"*")[0], 16))

    contract = TestHexCounterTcp()
    contract.driver = Careless  # type: ignore[misc]
    with pytest.raises(AssertionError) as caught:
        contract.test_malformed_line_is_no_sample(WRONG_SUM)
    assert "the malformed line b'F4238C*00\\n' was read as 15999884.0 Hz" in str(
        caught.value
    )


PACKAGE = {
    "pyproject.toml": """
        [build-system]
        requires = ["setuptools>=77"]
        build-backend = "setuptools.build_meta"
        [project]
        name = "strangers-counter"
        version = "1.0"
        [project.entry-points."benchlog.drivers"]
        strangers-hex = "strangers_counter:HexCounter"
        [tool.setuptools]
        py-modules = ["strangers_counter"]
    """,
    "strangers_counter.py": '''
        """A counter that sends hexadecimal digits with a check sum."""

        from benchlog.driver import Option
        from benchlog.driver_kit import SERIAL_OPTIONS, LineDriver


        class HexCounter(LineDriver):
            """My counter: hertz as hexadecimal digits, `*`, and their sum."""

            quantity, unit = "frequency", "Hz"
            options = (
                Option("gate_s", float, 1.0, "its gate", low=1e-3),
                *SERIAL_OPTIONS,
            )

            def parse(self, line: bytes) -> float:
                digits, _, check = line.strip().partition(b"*")
                if int(check, 16) != sum(digits) % 256:
                    raise ValueError("the check sum is wrong")
                return float(int(digits, 16))
    ''',
}


def test_a_package_of_its_own_is_found_and_its_bench_checked(tmp_path: Path) -> None:
    package, site = tmp_path / "package", tmp_path / "site"
    package.mkdir()
    for name, text in PACKAGE.items():
        (package / name).write_text(textwrap.dedent(text).lstrip(), "utf-8")
    about = site / "strangers_counter-1.0.dist-info"
    about.mkdir(parents=True)
    # what an installer leaves: the module, its name and version, its entry points
    (site / "strangers_counter.py").write_text(
        (package / "strangers_counter.py").read_text("utf-8"), "utf-8"
    )
    (about / "METADATA").write_text("Name: strangers-counter\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text(
        "[benchlog.drivers]\nstrangers-hex = strangers_counter:HexCounter\n"
    )
    talker = Talker(lambda: hex_line(HERTZ), interval_s=0.05)
    with PtyPeer(talker) as peer:
        (tmp_path / "hex.toml").write_text(
            f'[instruments.counter]\ndriver = "strangers-hex"\n'
            f'address = "{peer.address}"\ngate_s = 0.05\n'
            '[[position]]\nname = "A"\nfrequency = "counter"\n'
        )
        done = run(
            [sys.executable, "-m", "benchlog.cli", "check-bench", "hex.toml"],
            cwd=tmp_path,
            env={
                **os.environ,
                "PYTHONPATH": str(site),
                "BENCHLOG_DB": str(tmp_path / "a.db"),
            },
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    assert "15,999,852 Hz" in done.stdout
