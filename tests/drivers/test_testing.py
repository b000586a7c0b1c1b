"""The suite for strangers' drivers must find what it is there to find."""

import socket
import subprocess
import sys
from collections.abc import Callable

import pytest
from recorder.strangers import stranger_cases as cases

from benchlog import driver_kit
from benchlog.clock import HostClock
from benchlog.driver import Driver
from benchlog.driver_kit.tcp import host_and_port
from benchlog.errors import GarbledError, InstrumentError, LostError
from benchlog.model import Identity, Sample
from benchlog.testing import ASKED_FAULTS, MALFORMED, DriverContract, Script, TcpPeer
from benchlog.testing.soundness import check_error

NAMES = [fault.name for fault in ASKED_FAULTS]


class NaiveCounter(Driver):
    """A counter driver as one writes it in five minutes."""

    quantity = "frequency"
    unit = "Hz"
    link: socket.socket | None = None

    def open(self) -> None:
        try:
            self.link = socket.create_connection(host_and_port(self.address), 2)
        except OSError as error:
            raise LostError(str(error)) from error
        self.link.settimeout(0.3)

    def ask(self, question: bytes) -> bytes:
        assert self.link is not None
        self.link.sendall(question + b"\n")
        return self.link.recv(100_000)

    def identify(self) -> Identity:
        return Identity(self.ask(b"*IDN?").decode())

    def read(self) -> Sample:
        try:
            raw = self.ask(b"READ?")
            value = float(raw.replace(b"\x00", b"").replace(b"\xff", b""))
        except (OSError, ValueError) as error:
            raise InstrumentError(repr(error)) from error
        clock = HostClock()
        return Sample(value, "Hz", clock.mono_ns(), clock.utc_ns(), 0.0, raw.strip())

    def close(self) -> None:
        if self.link is not None:
            self.link.close()


class Contract(DriverContract):
    driver = NaiveCounter
    value = 15_999_852.0

    def peer(self) -> TcpPeer:
        answers = {"*IDN?": "MAKER,MODEL,7,1.0"}
        return TcpPeer(Script(answers, ("READ?", "+1.5999852E+07")))


def test_the_naive_driver_does_work() -> None:
    contract = Contract()
    contract.test_declares_what_it_measures()
    contract.test_reads_its_value()
    contract.test_hands_over_only_what_it_may()
    contract.test_identity_does_not_change()
    contract.test_close_is_always_allowed()
    contract.test_nothing_is_kept_of_old_connections()


@pytest.mark.parametrize("fault", ASKED_FAULTS, ids=NAMES)
def test_every_fault_is_found_to_be_badly_handled(fault: object) -> None:
    with pytest.raises(AssertionError):
        Contract().test_fault(fault)  # type: ignore[arg-type]


@pytest.mark.parametrize("line", [MALFORMED[0], MALFORMED[2], MALFORMED[17]])
def test_numbers_that_are_none_are_found(line: bytes) -> None:
    with pytest.raises(AssertionError):
        Contract().test_malformed_line_is_no_sample(line)


@pytest.mark.parametrize(
    "check",
    [
        DriverContract.test_nobody_there,
        DriverContract.test_closed_peer_is_noticed_at_once,
    ],
)
def test_silent_losses_are_found(check: Callable[[DriverContract], None]) -> None:
    with pytest.raises(AssertionError):
        check(Contract())


class Handing(NaiveCounter):
    """Hands over what it is told to."""

    case = ""

    def identify(self) -> Identity:
        wrong = cases.IDENTITIES.get(self.case)
        good = super().identify()
        return wrong(good) if wrong else good

    def messages(self) -> tuple[str, ...]:
        wrong = cases.MESSAGES.get(self.case)
        return wrong() if wrong else ()

    def read(self) -> Sample:
        wrong = cases.SAMPLES.get(self.case)
        good = super().read()
        return wrong(good) if wrong else good


def handing(case: str) -> type[Driver]:
    name, value = cases.PROMISES.get(case, ("case", case))
    return type("Handing", (Handing,), {"case": case, name: value})


@pytest.mark.parametrize(
    "case", [case for case in cases.CASES if not case.startswith("error ")]
)
def test_what_no_driver_may_hand_over_is_found(case: str) -> None:
    contract = Contract()
    contract.driver = handing(case)  # type: ignore[misc]
    with pytest.raises(AssertionError, match="; a driver hands over "):
        contract.test_hands_over_only_what_it_may()


@pytest.mark.parametrize(
    "raised",
    [
        cases.FakeEndError("over"),
        GarbledError("odd", raw="text"),  # type: ignore[arg-type]
        GarbledError("odd", address=7),  # type: ignore[arg-type]
        GarbledError("odd", raw=b"x" * 2_000_000),
    ],
)
def test_an_error_that_cannot_be_told_is_found(raised: InstrumentError) -> None:
    with pytest.raises(AssertionError):
        check_error(raised)


def test_measuring_never_imports_the_suite() -> None:
    """Nor does the suite need pytest to be imported."""
    code = (
        "import sys\n"
        "from benchlog import registry\n"
        "assert all(listed.driver for listed in registry.load_all())\n"
        "assert not any(name.startswith('benchlog.testing') for name in sys.modules)\n"
        "assert 'pyvisa' not in sys.modules\n"
        "import benchlog.testing\n"
        "assert 'pytest' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_the_driver_kit_is_these_names() -> None:
    """What strangers' drivers import; a name that goes breaks them."""
    assert set(driver_kit.__all__) == {
        *("DIALECT", "INPUT_OPTIONS", "LINK_OPTIONS", "LINK_WANTED", "SERIAL_OPTIONS"),
        *("STREAM_WANTED", "Line", "LineDriver", "Link", "Listener", "Number"),
        *("ScpiDriver", "StreamLink", "every", "is_stream", "link_wanted"),
        *("number_of", "open_link", "open_stream", "parse_number", "parse_reply"),
        *("Finished", "run_program", "UserProgram", "program_options"),
    }
    assert all(hasattr(driver_kit, name) for name in driver_kit.__all__)
