"""Settings of an instrument: sent where the dialect knows them, then read back."""

import math
from collections.abc import Mapping
from typing import Final

from benchlog.driver import Option
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.scpi import Reply, Talk
from benchlog.errors import InstrumentError, RefusedError
from benchlog.model import Dialect

INPUT_OPTIONS: Final = (
    Option("input", int, None, "which input the signal is on", low=1, high=16),
    Option("coupling", str, None, "input coupling", choices=("ac", "dc")),
    Option("impedance_ohm", float, None, "input impedance in ohm", low=1, high=1e9),
    Option("trigger_v", float, None, "trigger level in volts", low=-1e3, high=1e3),
    Option("filter", bool, None, "low-pass filter of the input on or off"),
)
"""Options of a counter's input; each optional, sent where the dialect knows it."""
WITH_INPUTS: Final = "scpi-inputs"
"""The shipped dialect that knows every one of them; a test holds it to that."""

_ROLES: Final = {
    "input": "input",
    "coupling": "coupling",
    "impedance_ohm": "impedance",
    "filter": "filter",
    "trigger_v": "trigger",
    "gate_s": "gate",
}
_CLOSE: Final = 1e-3
"""An instrument may round a setting by this fraction; more is another setting."""
_SWITCHES: Final = {"on": "1", "off": "0"}


def every(default_s: float) -> Option:
    """Return the option of what is sampled now and then: how often."""
    return Option(
        "every_s",
        float,
        default_s,
        "seconds from one value to the next; 0 means as fast as it goes",
        low=0,
        high=86_400,
    )


def number_of(settings: Mapping[str, object], name: str, absent: float = 0.0) -> float:
    """Return a setting that is a number, `absent` when it is not there."""
    value = settings.get(name)
    return float(value) if isinstance(value, int | float) else absent


def words_of(settings: Mapping[str, object]) -> dict[str, str]:
    """Return the settings as commands name them; an input not given is input 1."""
    words = {name: _word(settings.get(name)) for name in _ROLES if name in settings}
    if "input" in words and settings.get("input") is None:
        words["input"] = "1"
    return words


def apply_settings(talk: Talk, settings: Mapping[str, object]) -> dict[str, str]:
    """Send every setting that is given and return what the instrument made of it.

    Raises RefusedError when the dialect does not know a setting, or the instrument
    reads back another value.
    """
    outcome: dict[str, str] = {}
    for name, role in _ROLES.items():
        if settings.get(name) is not None:
            outcome[name] = _apply(talk, name, role)
    return outcome


def setting_fault(dialect: Dialect, name: str, address: str) -> str:
    """Return why a dialect cannot set what a bench file gives, empty when it can."""
    role = _ROLES[name]
    if f"{role}_get" in dialect.commands or _mentions(dialect, name):
        return ""
    if name == "gate_s":  # a gate set at the front panel
        return ""
    return (
        f"dialect {dialect.name!r} does not know {name!r}, which the bench file gives "
        f"for {address}; remove it there, or use a dialect that declares {role}_set or "
        f"has {{{name}}} in another command, as {WITH_INPUTS!r} does"
    )


def _apply(talk: Talk, name: str, role: str) -> str:
    """Send one setting; return what was read back, or what was sent."""
    wanted = talk.words[name]
    put, get = f"{role}_set", f"{role}_get"
    if not talk.knows(get):
        if fault := setting_fault(talk.dialect, name, talk.link.address):
            raise RefusedError(fault, address=talk.link.address)
        talk.tell(put)
        return f"{wanted} (not read back)"
    reply = talk.ask(put, get) if talk.knows(put) else talk.ask(get)
    if not same_setting(wanted, reply.text):
        raise _refused(talk, name, wanted, reply)
    return reply.text


def same_setting(wanted: str, got: str) -> bool:
    """Whether a setting read back is the one that was sent.

    Numbers agree within 0.1 %; ON and OFF are 1 and 0; words agree in their SCPI short
    or long form, whatever their case and quotes.
    """
    wanted, got = (_plain(text) for text in (wanted, got))
    sent, read = parse_number(wanted), parse_number(got)
    if sent and read:
        return math.isclose(sent.value, read.value, rel_tol=_CLOSE, abs_tol=1e-9)
    if not wanted or not got or sent or read:
        return False
    return wanted.startswith(got) or got.startswith(wanted)


def _plain(text: str) -> str:
    folded = text.strip().strip("\"'").casefold()
    return _SWITCHES.get(folded, folded)


def _word(value: object) -> str:
    """Return a setting as SCPI writes it."""
    if isinstance(value, bool):
        return "ON" if value else "OFF"
    if isinstance(value, int | float):
        return f"{value:.12G}"
    return str(value).upper() if value is not None else ""


def _mentions(dialect: Dialect, name: str) -> bool:
    return any(f"{{{name}}}" in text for text in dialect.commands.values())


def _refused(talk: Talk, name: str, wanted: str, reply: Reply) -> RefusedError:
    said = f"{talk.link.address} does not take {name} = {wanted}: "
    said += f"it reads back {reply.text[:60]!r}"
    try:
        errors = talk.drain_errors()
    except InstrumentError:  # the refusal matters more
        errors = ()
    if errors:
        said += " and reports " + "; ".join(dict.fromkeys(errors))
    said += ". Give a value that it takes"
    return RefusedError(
        said, address=talk.link.address, command=reply.command, raw=reply.line
    )
