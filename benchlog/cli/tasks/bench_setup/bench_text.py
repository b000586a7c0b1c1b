"""The text of a new bench file, with comments, from the answers. Pure."""

import json
from collections.abc import Iterator
from typing import Final

from benchlog.cli.tasks.bench_setup.answers import (
    DIALECTS,
    AmbientAnswer,
    BenchAnswers,
    CounterAnswer,
    PulseAnswer,
)
from benchlog.driver_kit.settings import WITH_INPUTS

_COLUMN: Final = 32
_PULSE_U_S: Final = 1e-7
_RECEIVER: Final = "receiver"
_TIMEBASE: Final = "timebase"


def bench_text(answers: BenchAnswers) -> str:
    """Return TOML that `load_bench` accepts; every line that is not plain has a why."""
    blocks = [
        list(_head(answers)),
        list(_counter(answers)),
        list(_ambient(answers.ambient)) if answers.ambient else [],
        list(_pulses(_RECEIVER, answers.pulse, answers.pulse_u_s)),
        list(_pulses(_TIMEBASE, answers.timebase, None)),
        list(_position(answers)),
        list(_reference(answers)),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _head(answers: BenchAnswers) -> Iterator[str]:
    yield "# Made by `benchlog bench new`. Change what you like: `benchlog help"
    yield "# bench-file` explains the keys. Then let every mistake be named, and each"
    yield f"# instrument be asked for one value: `benchlog check-bench {answers.name}`."
    yield ""
    yield _key("title", f"Bench {answers.name}")


def _counter(answers: BenchAnswers) -> Iterator[str]:
    one = answers.counter
    yield f"[instruments.{one.name}]"
    whys = {
        "scpi-counter": "asked in SCPI, over any address",
        "line-counter": "it talks by itself; nothing is sent to it",
        "pulse-edge": "every pulse of the device is stamped",
    }
    yield _key("driver", one.driver, whys[one.driver])
    yield _key("address", one.address)
    if one.visa_library:
        yield _key("visa_library", one.visa_library, "who knows this address")
    if one.gpib_address is not None:
        why = "its address on the bus behind the bridge"
        yield _key("gpib_address", one.gpib_address, why)
    yield from _serial(one)
    if one.speaks == "pulses":
        yield _key("line", one.line, "dcd | cts | dsr | ri | rx (every byte) | kernel")
        yield _key("interval_s", 1.0, "from pulse to pulse, nominally")
    else:
        yield from _gated(answers)


def _gated(answers: BenchAnswers) -> Iterator[str]:
    one = answers.counter
    asked = one.speaks == "scpi"
    has_inputs = one.input is not None or answers.pulse_input is not None
    dialect = WITH_INPUTS if asked and has_inputs else DIALECTS[one.speaks]
    why = "the commands it knows" if asked else "what its lines look like"
    yield _key("dialect", one.dialect or dialect, f"{why}: a file in configs/dialects")
    if asked and has_inputs:
        yield _key("input", one.input or 1, "the input that the device is on")
    why = "set, then read back" if asked else "the gate it uses: it cannot be asked"
    yield _key("gate_s", one.gate_s, why)
    if one.timebase_ppm is not None:
        why = "+-, what its maker promises for the time base now"
        yield _key("timebase_ppm", one.timebase_ppm, why)
    else:
        yield "# What its maker promises for the time base now, +-; 1 ppm is assumed:"
        yield "# timebase_ppm = 0.5"


def _serial(one: CounterAnswer) -> Iterator[str]:
    if one.baud is not None:
        yield _key("baud", one.baud, "bits per second, as set at the other end")
    if one.dtr is not None or one.rts is not None:
        yield "# Held while the port is open and left so when it is closed: a line that"
        yield "# is up already does not reset a board at the next opening."
    if one.dtr is not None:
        yield _key("dtr", one.dtr)
    if one.rts is not None:
        yield _key("rts", one.rts)


def _ambient(one: AmbientAnswer) -> Iterator[str]:
    yield f"[instruments.{one.name}]"
    yield _key("driver", one.driver)
    if one.value_c is not None:
        yield _key("value", one.value_c, "C, read off by a person; marked as typed in")
        return
    yield _key("address", one.address)
    if one.driver == "line-thermometer":
        yield _key("dialect", "line-celsius", "what its lines look like")
        yield _key("interval_s", 2.0, "from one line to the next")
    else:
        yield _key("every_s", 2.0, "how often it is read")
    if one.baud is not None:
        yield _key("baud", one.baud)


def _pulses(name: str, one: PulseAnswer | None, u_s: float | None) -> Iterator[str]:
    if one is None:
        return
    yield f"[instruments.{name}]"
    yield _key("driver", "pulse-edge")
    yield _key("address", one.address)
    yield _key("line", one.line, "dcd | cts | dsr | ri | rx (every byte) | kernel")
    if one.line != "rx":
        yield _key("edge", "rising", "the on-time edge")
    if name == _RECEIVER:
        why = "standard uncertainty of a pulse, as its maker says"
        yield _key("u_s", _PULSE_U_S if u_s is None else u_s, why)


def _position(answers: BenchAnswers) -> Iterator[str]:
    yield "# A place where a device sits, and what looks at it."
    yield "[[position]]"
    yield _key("name", answers.position)
    yield _key("frequency", answers.counter.name)
    if answers.ambient is not None:
        yield _key("ambient", answers.ambient.name)
    if answers.pulse is not None and answers.counter.speaks == "pulses":
        yield _key("reference", _RECEIVER, "what its pulses are compared with")
    why = "16 if the device divides its clock by 16 at its output"
    yield _key("divider", answers.divider, why)


def _reference(answers: BenchAnswers) -> Iterator[str]:
    """Yield what `refcheck` may use, where something is wired for it."""
    counter = answers.counter
    if counter.speaks == "pulses":
        return
    u_s = _PULSE_U_S if answers.pulse_u_s is None else answers.pulse_u_s
    if answers.pulse_input is not None:
        yield from _reference_head(counter)
        yield _key("input", answers.pulse_input, "where the pulse per second goes")
        yield _key("nominal_hz", 1)
        yield _key("u_s", u_s, "standard uncertainty of a pulse, as its maker says")
    elif answers.pulse is not None and answers.timebase is not None:
        yield from _reference_head(counter)
        yield _key("pulses", _RECEIVER)
        yield _key("timebase", _TIMEBASE, "the counter's time base, divided to pulses")
        yield _key("u_s", u_s)
    elif answers.pulse is not None:
        yield "# The receiver's pulses come to this computer. They check the counter"
        yield "# once its time base, divided down to pulses, comes in on a port, too:"
        yield "# `benchlog help time-base`."


def _reference_head(counter: CounterAnswer) -> Iterator[str]:
    yield "# What `benchlog refcheck` may use, and where it is wired."
    yield "[reference]"
    yield _key("counter", counter.name)


def _key(name: str, value: object, why: str = "") -> str:
    """Return one line of TOML, its comment in a column of its own."""
    said = f"{name} = {_toml(value)}"
    return f"{said:<{_COLUMN - 1}} # {why}" if why else said


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return f"{value:.1f}" if value < 1000 else f"{int(value)}"
    return repr(value)
