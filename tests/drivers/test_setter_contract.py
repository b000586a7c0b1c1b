"""Our setters run through the suite that strangers' setters run through."""

import stat

import pytest
from benchlog_drivers.command_setter import CommandSetter
from benchlog_drivers.command_trim import CommandTrim
from benchlog_drivers.line_trim import LineTrim
from benchlog_drivers.modbus_chamber import ModbusChamber
from benchlog_drivers.scpi_scanner import ScpiScanner
from benchlog_drivers.scpi_setters import LineChamber, ScpiChamber, ScpiLoad, ScpiSupply

from benchlog.catalogue import load_dialect
from benchlog.clock import host_sleep
from benchlog.driver import Setter
from benchlog.errors import RefusedError, SilentError
from benchlog.registry import load_all
from benchlog.simulate.transports.modbus_server import ModbusServer
from benchlog.testing import (
    NO_VALUES,
    SETTER_FAULTS,
    LinePeer,
    PtyPeer,
    SetterContract,
    SettingWords,
)
from benchlog.testing.faults import CLOSED, SILENT, TWO_LINES

ANSWERS = {"*IDN?": "MAKER,MODEL,7,1.0", "SYSTem:ERRor?": '0,"No error"'}
SWITCHES = {
    "OUTPut ON": lambda state: setattr(state, "on", True),
    "OUTPut OFF": lambda state: setattr(state, "on", False),
}


def is_off(state):
    return not state.on


def scpi(what, measured=None):
    """Return the lines of something whose value is set by `SOURce:what`."""
    answers = {
        **ANSWERS,
        "OUTPut?": lambda state: str(int(state.on)),
        f"MEASure:{measured or what}?": lambda state: f"{state.value * state.on:+.6E}",
    }
    return SettingWords(
        order=rf"SOURce:{what} (\S+)",
        ask=f"SOURce:{what}?",
        deeds=SWITCHES,
        answers=answers,
    )


class TestScpiSupply(SetterContract):
    setter = ScpiSupply
    options = {"dialect": load_dialect("scpi-supply"), "low": 0.0, "high": 5.5}
    values = (3.3, 2.97, 3.63)

    def peer(self):
        return LinePeer(scpi("VOLTage"), is_off)


class TestScpiSupplyPty(TestScpiSupply):
    nowhere = "/dev/not-a-port"
    malformed = NO_VALUES[:3]  # the bytes go the same way as over a socket
    faults = SETTER_FAULTS[:6]

    def peer(self):
        return LinePeer(scpi("VOLTage"), is_off, PtyPeer)


class TestControlVoltageWithASafeValue(TestScpiSupply):
    """Let go of it is set to `safe`, then switched off."""

    options = {**TestScpiSupply.options, "safe": 1.5}
    malformed = NO_VALUES[:3]
    faults = SETTER_FAULTS[:6]

    def peer(self):
        safe = lambda state: not state.on and state.value in (1.5, 2.75)  # noqa: E731
        return LinePeer(scpi("VOLTage"), safe)


class TestScpiLoad(SetterContract):
    setter = ScpiLoad
    options = {"dialect": load_dialect("scpi-load"), "low": 0.0, "high": 50.0}
    values = (10.0, 5.0, 15.0)

    def peer(self):
        return LinePeer(scpi("CAPacitance"), is_off)


class TestScpiChamber(SetterContract):
    setter = ScpiChamber
    options = {"dialect": load_dialect("scpi-chamber"), "low": -40.0, "high": 90.0}
    values = (25.0, -39.5, 85.0)

    def peer(self):
        return LinePeer(scpi("TEMPerature"), is_off)


class TestLineChamber(SetterContract):
    setter = LineChamber
    options = {"dialect": load_dialect("line-chamber"), "low": -40.0, "high": 90.0}
    values = (25.0, -39.5, 85.0)
    # lines of its own have no codes for "no value"
    faults = tuple(one for one in SETTER_FAULTS if "E+37" not in one.name)
    nowhere = "/dev/not-a-port"

    def peer(self):
        words = SettingWords(
            order=r"SP (\S+)",
            ask="SP?",
            tell=lambda state: f"SP {state.value:.3f}",
            deeds={
                "RUN": lambda state: setattr(state, "on", True),
                "STOP": lambda state: setattr(state, "on", False),
            },
            answers={"PV?": lambda state: f"{state.value:.1f}"},
        )
        return LinePeer(words, is_off, PtyPeer, terminator=b"\r\n")


class TestScpiScanner(SetterContract):
    setter = ScpiScanner
    options = {"dialect": load_dialect("scpi-scanner"), "low": 101.0, "high": 164.0}
    values = (103.0, 101.0, 110.0)
    faults = tuple(one for one in SETTER_FAULTS if "E+37" not in one.name)
    malformed = (*NO_VALUES, b"(@101\n", b"(@101,102)\n", b"(@104:101)\n", b"(@x)\n")

    def peer(self):
        words = SettingWords(
            order=r"ROUTe:CLOSe \(@(\d+)\)",
            ask="ROUTe:CLOSe:STATe?",
            tell=lambda state: f"(@{state.value:.0f})" if state.value else "(@)",
            deeds={"ROUTe:OPEN:ALL": lambda state: setattr(state, "value", 0.0)},
            answers=ANSWERS,
        )
        return LinePeer(words, lambda state: state.value == 0)

    def test_no_channel_at_all_may_be_asked_for(self):
        with self.opened() as (peer, setter):
            setter.set(103)
            setter.set(0)
            assert setter.read_back() == 0
            assert peer.is_safe()
            for wrong in (103.5, 1.0, 100.0):
                with pytest.raises(RefusedError):
                    setter.set(wrong)
            assert peer.ordered() == [103.0]


class TestLineTrim(SetterContract):
    setter = LineTrim
    values = (87.0, 0.0, 110.0)
    ends = (0.0, 127.0)
    lets_go = False
    # what firmware says unasked is passed over when it is asked the next time
    faults = tuple(
        one for one in SETTER_FAULTS if "E+37" not in one.name and one is not TWO_LINES
    )
    nowhere = "/dev/not-a-port"

    def peer(self):
        def told(state):
            return f"trim {state.value:.0f}"

        words = SettingWords(
            order=r"trim (\d+)",
            ask="trim?",
            tell=told,
            answers={"id?": "id MAKER,MODEL,7,1.0"},
            reply=told,
        )
        return LinePeer(words, lambda _: True, PtyPeer)


# --- a chamber over Modbus


class Table:
    """A chamber's holding registers, and each set point that arrived, in C."""

    def __init__(self):
        self.words = [230, 231, 0, 0, 50]
        self.arrived, self.requests, self.silent_s = [], 0, 0.0

    def read(self, address):
        self.requests += 1
        host_sleep(self.silent_s)
        self.silent_s = 0.0
        return self.words[address]

    def write(self, address, value):
        self.requests += 1
        self.words[address] = value
        if address == 0:
            signed = value - 0x10000 if value & 0x8000 else value
            self.arrived.append(round(signed * 0.1, 6))


class ModbusPeer:
    def __init__(self):
        self.table, self.server = Table(), None

    def __enter__(self):
        self.server = ModbusServer(self.table)
        self.server.start()
        self.address = self.server.address
        return self

    def __exit__(self, *_):
        self.server.stop()

    def ordered(self):
        return list(self.table.arrived)

    def heard(self):
        return self.table.requests

    def is_safe(self):
        return self.table.words[2] == 0

    def turn_to(self, value):
        self.table.words[0] = round(value * 10) & 0xFFFF

    def misbehave(self, fault):
        if fault is SILENT:
            self.table.silent_s = 1.5
        else:
            self.server.drop()

    def hang_up(self):
        self.server.drop()


class TestModbusChamber(SetterContract):
    setter = ModbusChamber
    options = {"dialect": load_dialect("modbus-chamber"), "low": -40.0, "high": 90.0}
    values = (25.0, -39.5, 85.0)
    step = 0.1
    faults = (SILENT, CLOSED)
    malformed = ()  # a register always is a number of 16 bits
    nowhere = "modbus://127.0.0.1:1"

    def peer(self):
        return ModbusPeer()


# --- programs


class ProgramPeer:
    """A program that appends each value to a file; a note makes it fail or hang."""

    address = ""

    def __init__(self, folder):
        self.folder, self.log = folder, folder / "log"
        self.log.write_text("")
        (folder / "hangs").unlink(missing_ok=True)
        self.program = folder / "set it"
        self.program.write_text(
            f'#!/bin/sh\ncd "{folder}"\n[ -e hangs ] && sleep 5\n'
            '[ "$2" = 9 ] && { echo no such value; exit 3; }\necho "$2" >> log\n'
        )
        self.program.chmod(self.program.stat().st_mode | stat.S_IXUSR)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def ordered(self):
        return [float(line) for line in self.log.read_text().split()]

    def heard(self):
        return len(self.ordered())

    def is_safe(self):
        return self.ordered()[-1] in (10.0, 27.5)

    def turn_to(self, value):
        raise AssertionError("nobody can")

    misbehave = turn_to
    hang_up = turn_to


class OfAProgram(SetterContract):
    """What a setter that runs a program has in common."""

    faults, malformed, nowhere = (), (), None
    asks = False

    @pytest.fixture(autouse=True)
    def program(self, tmp_path):
        self.folder = tmp_path

    def peer(self):
        return ProgramPeer(self.folder)

    def make(self, address, **more):
        words = {"program": str(self.folder / "set it"), "limit_s": 0.5}
        return super().make(address, **words, **more)

    def test_a_program_that_fails_or_hangs_has_set_nothing(self):
        with self.opened() as (peer, setter):
            setter.set(self.values[0])
            with pytest.raises(RefusedError, match="no such value"):
                setter.set(9)
            (peer.folder / "hangs").touch()
            with pytest.raises(SilentError, match="had not ended"):
                setter.set(self.values[1])
            assert setter.read_back() == self.values[0]


class TestCommandSetter(OfAProgram):
    setter = CommandSetter
    options = {
        **{"program": "true", "arguments": "--load {value}"},
        **{"low": 5.0, "high": 50.0, "safe": 10.0},
        **{"quantity": "load", "unit": "pF"},
    }
    values = (12.5, 15.0, 8.0)

    def test_before_anything_was_set_it_does_not_know(self):
        with self.opened() as (_, setter), pytest.raises(RefusedError, match="nothing"):
            setter.read_back()


class TestCommandTrim(OfAProgram):
    setter = CommandTrim
    options = {"program": "true", "arguments": "--code {code}"}
    values = (87.0, 0.0, 110.0)
    lets_go = False


def test_every_setter_that_ships_is_in_here():
    tested = {
        one.setter for one in globals().values() if hasattr(one, "setter") and one
    }
    ours = {
        one.driver
        for one in load_all()
        if one.driver is not None
        and issubclass(one.driver, Setter)
        and one.driver.__module__.startswith("benchlog_drivers")
    }
    assert ours <= tested
