"""Ports: listed in silence; asked over a VISA library that can be (pyvisa-sim)."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from schemas_held import hold_printed

from benchlog.cli import root
from benchlog.cli.tasks.host.port_text import port_table
from benchlog.cli.tasks.host.ports import (
    Port,
    asked,
    serial_ports,
    visa_resources,
)

SIMULATED = """
spec: "1.1"
devices:
  counter:
    eom: {"TCPIP INSTR": {q: "\\n", r: "\\n"}}
    dialogues: [{q: "*IDN?", r: "SIMULATED,Two-Input Counter,7,1.0"}]
  silent:
    eom: {"TCPIP INSTR": {q: "\\n", r: "\\n"}}
resources:
  "TCPIP0::127.0.0.1::inst0::INSTR": {device: counter}
  "TCPIP0::127.0.0.2::inst0::INSTR": {device: silent}
"""


@pytest.fixture
def library(tmp_path: Path) -> str:
    path = tmp_path / "bench.yaml"
    path.write_text(SIMULATED)
    return f"{path}@sim"


def test_silence_is_the_default(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> Port:
        raise AssertionError("something was asked")

    monkeypatch.setattr("benchlog.cli.tasks.host.ports.asked", forbidden)
    result = CliRunner().invoke(root, ["ports", "--json"], catch_exceptions=False)
    assert result.exit_code == 0
    hold_printed(["--json"], result.stdout)
    for row in json.loads(result.stdout):
        assert {"address", "kind", "identity"} <= row.keys()
        assert row["identity"] is None


def test_serial_ports_carry_both_names() -> None:
    for port in serial_ports():
        assert port.kind == "serial"
        assert port.visa == f"ASRL{port.address}::INSTR"


def test_listed_by_another_library(library: str) -> None:
    assert {port.address for port in visa_resources(library, ask=False)} == {
        "TCPIP0::127.0.0.1::inst0::INSTR",
        "TCPIP0::127.0.0.2::inst0::INSTR",
    }


def test_asked_one_answers_and_the_silent_one_is_named(library: str) -> None:
    ports = visa_resources(library, ask=True)
    answering, silent = (asked(port, library, 9600) for port in sorted_(ports))
    assert answering.identity == "SIMULATED,Two-Input Counter,7,1.0"
    assert answering.error is None
    assert silent.identity is None
    assert silent.error is not None and "*IDN?" in silent.error


def sorted_(ports: list[Port]) -> list[Port]:
    return sorted(ports, key=lambda port: port.address)


def test_no_such_library_is_bad_usage() -> None:
    result = CliRunner().invoke(root, ["ports", "--visa-library", "@none"])
    assert result.exit_code == 2
    assert "'@none'" in result.stderr and result.stdout == ""


def test_what_was_not_searched_is_named_with_what_to_type() -> None:
    result = CliRunner().invoke(root, ["ports", "--json"], catch_exceptions=False)
    lines = result.stderr.splitlines()
    for number, line in enumerate(lines):
        if line.startswith("not searched: "):
            assert lines[number + 1].startswith("    "), result.stderr
    assert "not searched: gpib: " in result.stderr
    assert "not searched: network: " in result.stderr
    assert "    benchlog ports --lan eth0" in lines


def test_a_network_that_was_named_is_searched() -> None:
    result = CliRunner().invoke(root, ["ports", "--lan", "lo"], catch_exceptions=False)
    assert result.exit_code == 0
    assert "not searched: network" not in result.stderr
    refused = CliRunner().invoke(root, ["ports", "--lan", "none-such"])
    assert refused.exit_code == 2 and "none-such" in refused.stderr


def test_numbers_are_shown_where_they_can_be_typed() -> None:
    ports = [
        Port(address="/dev/ttyUSB0", kind="serial", visa="", lasting="/dev/serial/x"),
        Port(address="/dev/pps0", kind="pulses", visa=""),
    ]
    shown = port_table(ports, numbered=True)
    assert "1  /dev/ttyUSB0" in shown and "2  /dev/pps0" in shown
    assert "= /dev/serial/x" in shown
    assert ports[0].best == "/dev/serial/x" and ports[1].best == "/dev/pps0"


def test_what_cannot_be_asked_is_left_alone() -> None:
    pulses = Port(address="/dev/pps0", kind="pulses", visa="")
    assert asked(pulses, "@py", 9600) == pulses
