"""From options and a person's answers to what is wired where."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.cli.tasks.bench_setup.address_answers import (
    BOARD,
    ambient_fault,
    as_number,
    chosen,
    counter_fault,
    likely,
    pulse_fault,
    suggested_speech,
)
from benchlog.cli.tasks.bench_setup.answers import (
    LINES,
    NONE,
    SPEAKS,
    AmbientAnswer,
    BenchAnswers,
    CounterAnswer,
    PulseAnswer,
)
from benchlog.cli.tasks.bench_setup.questions import Questions
from benchlog.cli.tasks.host.ports import Port
from benchlog.driver_kit.serial_line import serial_url

_USUAL_BAUD: Final = "9600"
_BOARD_BAUD: Final = "115200"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchWish:
    """What was given as options; None where a question is to be asked."""

    name: str | None = None
    counter: str | None = None
    speaks: str | None = None
    dialect: str | None = None
    gate_s: float | None = None
    baud: int | None = None
    dtr: bool | None = None
    rts: bool | None = None
    gpib_address: int | None = None
    input: int | None = None
    visa_library: str | None = None
    timebase_ppm: float | None = None
    line: str | None = None
    ambient: str | None = None
    ambient_speaks: str | None = None
    ambient_baud: int | None = None
    pulse: str | None = None
    pulse_line: str | None = None
    pulse_u_s: float | None = None
    pulse_input: int | None = None
    timebase_pulse: str | None = None
    timebase_line: str | None = None
    position: str = "A"
    divider: float | None = None


def answers_from(
    name: str, wish: BenchWish, ports: Sequence[Port], ask: Questions
) -> BenchAnswers:
    """Ask what is wired where, in the order in which a bench is wired.

    Raises UsageError for an option that cannot be, or one that is missing where nobody
    can be asked.
    """
    counter = _counter(wish, ports, ask)
    ambient = _ambient(wish, ports, ask)
    pulse, pulse_input = _pulse(wish, ports, ask, counter)
    return BenchAnswers(
        name=name,
        counter=counter,
        ambient=ambient,
        pulse=pulse,
        pulse_input=pulse_input,
        pulse_u_s=wish.pulse_u_s,
        timebase=_port_of(wish.timebase_pulse, wish.timebase_line),
        position=wish.position,
        divider=_divider(wish, ask),
    )


def _counter(wish: BenchWish, ports: Sequence[Port], ask: Questions) -> CounterAnswer:
    link = {"gpib_address": wish.gpib_address, "visa_library": wish.visa_library}
    said = ask.text(
        "Where is the counter?",
        "--counter ADDRESS",
        hint="A number of the list, or an address: 192.0.2.10:5025, /dev/ttyUSB0, "
        "USB0::0x1234::0x5678::SN1::INSTR, any VISA resource.",
        given=wish.counter,
        suggestion=likely(ports) if ask.interactive else "",
        fault=lambda text: counter_fault("scpi", chosen(text, ports), link),
    )
    address = chosen(said, ports)
    known = {port.best: port for port in ports}.get(address)
    speaks = ask.choice(
        "How does it speak?",
        "--speaks WORD",
        given=wish.speaks,
        suggestion=suggested_speech(address, known),
        choices=SPEAKS,
        fault=lambda word: counter_fault(word, address, link),
    )
    is_line = serial_url(address) is not None
    baud = _baud(wish.baud, address, ask, "--baud", is_line)
    dtr, rts = _held(wish, address, ask, is_line and speaks != "pulses")
    return CounterAnswer(
        address=address,
        speaks=speaks,
        dialect=wish.dialect,
        gate_s=_gate(wish, ask, speaks),
        baud=baud,
        dtr=dtr,
        rts=rts,
        gpib_address=wish.gpib_address,
        input=wish.input,
        visa_library=wish.visa_library,
        timebase_ppm=_timebase(wish, ask, speaks),
        line=_pulsing_line(wish, ask, speaks),
    )


def _pulsing_line(wish: BenchWish, ask: Questions, speaks: str) -> str:
    if speaks != "pulses":
        return "rx"
    return ask.choice(
        "Which line do the device's pulses come on?",
        "--line",
        given=wish.line,
        suggestion="rx",
        choices=LINES,
    )


def _gate(wish: BenchWish, ask: Questions, speaks: str) -> float:
    if speaks == "pulses":
        return 1.0
    gate_s = ask.number(
        "Gate, in s?",
        "--gate-s",
        given=wish.gate_s,
        suggestion="1",
        low=1e-6,
        high=1e4,
    )
    return 1.0 if gate_s is None else gate_s


def _timebase(wish: BenchWish, ask: Questions, speaks: str) -> float | None:
    if speaks == "pulses":
        return None
    return ask.number(
        "Time base, in +- ppm?",
        "--timebase-ppm",
        hint="What the counter's maker promises for its time base now. If you do not "
        "know it, 1 ppm is assumed.",
        given=wish.timebase_ppm,
        suggestion=NONE,
        low=1e-9,
        high=1e5,
    )


def _baud(
    given: int | None, address: str, ask: Questions, option: str, is_line: bool
) -> int | None:
    if not is_line or "socket://" in address:
        return None
    usual = _BOARD_BAUD if BOARD.search(address) else _USUAL_BAUD
    said = ask.number(
        "Baud rate?", option, given=given, suggestion=usual, low=50, high=4e6
    )
    return None if said is None else int(said)


def _held(
    wish: BenchWish, address: str, ask: Questions, is_line: bool
) -> tuple[bool | None, bool | None]:
    """Return how DTR and RTS are held; asked of a board alone."""
    if wish.dtr is not None or wish.rts is not None or not is_line:
        return wish.dtr, wish.rts
    is_board = BOARD.search(address) is not None
    if is_board and ask.interactive:
        question = "Is it a board that resets when its port is opened?"
        if ask.yes(question, given=None, suggestion=True):
            return True, True
    return None, None


def _ambient(
    wish: BenchWish, ports: Sequence[Port], ask: Questions
) -> AmbientAnswer | None:
    said = ask.text(
        "Ambient temperature?",
        "--ambient",
        hint="A number is what you read off, in C. Or the address of a thermometer, "
        "#2 for number 2 of the list, a sensor's file below /sys, or none.",
        given=wish.ambient,
        suggestion=NONE,
        fault=lambda text: ambient_fault(text, ports),
    )
    if said == NONE:
        return None
    value_c = as_number(said)
    if value_c is not None:
        return AmbientAnswer(value_c=value_c)
    address = chosen(said.removeprefix("#"), ports)
    is_line = serial_url(address) is not None and not address.startswith("/sys/")
    speaks = "scpi"
    if not address.startswith("/sys/"):
        speaks = ask.choice(
            "How does the thermometer speak?",
            "--ambient-speaks",
            given=wish.ambient_speaks,
            suggestion="lines" if is_line else "scpi",
            choices={
                "scpi": "it is asked, and answers (SCPI)",
                "lines": "it prints a line for each value, in C",
            },
        )
    baud = _baud(wish.ambient_baud, address, ask, "--ambient-baud", is_line)
    return AmbientAnswer(address=address, speaks=speaks, baud=baud)


def _pulse(
    wish: BenchWish, ports: Sequence[Port], ask: Questions, counter: CounterAnswer
) -> tuple[PulseAnswer | None, int | None]:
    """Return where a reference pulse comes in: a port here, or an input there."""
    if wish.pulse is None and wish.pulse_input is not None:
        return None, wish.pulse_input
    first = next((port.best for port in ports if port.kind == "pulses"), NONE)
    at_input = (
        "Input 2 of the counter is `input 2`. " if counter.speaks == "scpi" else ""
    )
    said = ask.text(
        "A pulse per second as reference?",
        "--pulse",
        hint=f"{at_input}On this computer: /dev/pps0 if the kernel stamps them, or a "
        "serial port, whose line is asked for next.",
        given=wish.pulse,
        suggestion=first if ask.interactive else NONE,
        fault=lambda text: pulse_fault(text, ports, counter),
    )
    match = re.fullmatch(r"input (\d+)", said)
    if said == NONE or match:
        return None, int(match[1]) if match else None
    address = chosen(said.removeprefix("#"), ports)
    line = ask.choice(
        "Which line do the reference pulses come on?",
        "--pulse-line",
        given=wish.pulse_line,
        suggestion="kernel" if address.startswith("/dev/pps") else "dcd",
        choices=LINES,
    )
    return PulseAnswer(address=address, line=line), None


def _port_of(address: str | None, line: str | None) -> PulseAnswer | None:
    if address is None:
        return None
    usual = "kernel" if address.startswith("/dev/pps") else "dcd"
    return PulseAnswer(address=address, line=line or usual)


def _divider(wish: BenchWish, ask: Questions) -> float:
    divider = ask.number(
        "Divider?",
        "--divider",
        hint="16 if the device divides its clock by 16 at its output.",
        given=wish.divider,
        suggestion="1",
        low=1e-6,
        high=1e9,
    )
    return 1.0 if divider is None else divider
