"""Dialect files: commands and reply patterns of a family of instruments."""

import re
import string
import warnings
from collections.abc import Mapping
from importlib.resources.abc import Traversable
from typing import Any, Final

from benchlog.catalogue.block_forms import block_form
from benchlog.catalogue.check import (
    Findings,
    TableKey,
    a_table,
    matching,
    number,
    one_of,
    text,
    texts,
    whole,
    yes_no,
)
from benchlog.catalogue.places import find, read_toml, stem
from benchlog.model import COUNTING, DIGITS, Dialect, Register

LONGEST: Final = 300
_TOKEN = re.compile(
    r"""
    \\.                                     # an escaped character
  | \[\^?\]?(?:\\.|[^\]\\])*\]              # a class of characters
  | \(\?\#[^)]*\)                           # a comment
  | (?P<open>\((?:\?(?:P<\w+>|[:=!>]|<[=!]|[aiLmsux-]+:)|))
  | (?P<close>\))
  | (?P<repeat>[*+?]|\{\d*,?\d*\})[+?]?     # with lazy or possessive mark
  | (?P<either>\|)
  | .
    """,
    re.VERBOSE | re.DOTALL,
)


def pattern_fault(pattern: str) -> str:
    """Return why a reply pattern cannot be used, empty when it can."""
    if len(pattern) > LONGEST:
        return f"it has more than {LONGEST} characters"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            compiled = re.compile(pattern)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        return f"it is no regular expression: {error}"
    if "value" not in compiled.groupindex:
        return "it has no group (?P<value>...)"
    if may_explode(pattern):
        return "it repeats a group with a repeat, an option or an | inside"
    return ""


def may_explode(pattern: str) -> bool:
    """Tell whether a group that is repeated holds a choice (a repeat, `?` or `|`)."""
    choices = [False]  # for each open group: whether a choice was seen inside
    closed: bool | None = None  # the group that ended just before: held it a choice?
    for token in _TOKEN.finditer(pattern):
        repeat = token["repeat"]
        if repeat and closed and not _at_most_once(repeat):
            return True
        if repeat:
            choices[-1] = choices[-1] or _varies(repeat)
        elif token["either"]:
            choices[-1] = True
        closed = None
        if token["open"]:
            choices.append(False)
        elif token["close"] and len(choices) > 1:
            closed = choices.pop()
            choices[-1] = choices[-1] or closed
    return False


def _at_most_once(repeat: str) -> bool:
    return repeat in ("?", "{0,1}", "{,1}", "{1}", "{0}", "{1,1}")


def _varies(repeat: str) -> bool:
    """Tell whether a repeat leaves a choice: all but `{3}`."""
    low, comma, high = repeat.strip("{}").partition(",")
    return not (repeat.startswith("{") and (not comma or low == high))


# --- dialect files: the command strings and the reply pattern of a family of instrume
#
# An odd instrument needs a file, not code. What a file does not declare is never sent.

UNITS: Final = (
    "Hz",
    "s",
    "counts",
    "C",
    "K",
    "F",
    "V",
    "A",
    "W",
    "ohm",
    "%",
    "Pa",
    "pF",
)
"""Units a reply may have: `s` is a period, `counts` are per reference second."""
SETTINGS: Final = (
    "gate_s",
    "input",
    "coupling",
    "impedance_ohm",
    "trigger_v",
    "filter",
    "quantity",
    "value",
    "channel",
    "limit_a",
    "rate_per_min",
    "most",
)
"""What may stand in braces in a command: the settings of a bench file."""
ASKS: Final = {
    "identify": "who are you",
    "error": "the next message of the error queue",
    "gate_get": "the gate in use, in s",
    "input_get": "the input in use",
    "coupling_get": "the coupling in use",
    "impedance_get": "the input impedance in use, in ohm",
    "trigger_get": "the trigger level in use, in V",
    "filter_get": "the filter in use",
    "read": "start one measurement and give its result",
    "fetch": "give the result of the measurement started by `initiate`",
    "measure": "set up, start and give one value (thermometer, meter)",
    "value_get": "what a supply, a chamber, a load is set to",
    "running_get": "whether its output is on: 1 or 0",
    "rest_get": "whether it has arrived: 1 or 0",
    "closed_get": "the channels that are closed, as a channel list",
    "block": "the readings that wait, {most} at most",
    "lost": "how many readings were lost since the stream began",
}
"""Roles of commands that are answered, with one line or `block` with a block."""
TELLS: Final = {
    "clear": "empty the status and the error queue",
    "configure": "prepare for this quantity",
    "gate_set": "set the gate {gate_s}",
    "input_set": "choose the {input}",
    "coupling_set": "set the {coupling}",
    "impedance_set": "set {impedance_ohm}",
    "trigger_set": "set the level {trigger_v}",
    "filter_set": "set the {filter}",
    "initiate": "start one measurement, without an answer",
    "abort": "give up the measurement under way",
    "value_set": "set it to {value}",
    "limit_set": "set the current limit {limit_a}",
    "rate_set": "change no faster than {rate_per_min}",
    "start": "switch the output on, let a chamber run",
    "stop": "switch the output off, stop a chamber",
    "channel_set": "close one {channel}",
    "open_all": "open all channels",
    "stream": "measure gate after gate and keep the readings",
    "stream_end": "measure no longer by itself",
}
"""Roles of commands that are not answered; those in `_set` hold their setting."""

_ASCII: Final = r"[\x21-\x7e][\x20-\x7e]{0,199}"
_DEFAULTS: Final = Dialect(name="", talks="line")

_TABLES: Final = {
    "dialect": TableKey(a_table("dialect"), required=True),
    "commands": TableKey(a_table("commands")),
    "reply": TableKey(a_table("reply")),
    "registers": TableKey(a_table("registers")),
    "block": TableKey(a_table("block")),
}
REGISTERS: Final = {
    "set_point": "where it is set",
    "measured": "what its probe measures",
    "running": "whether it runs; written to start and stop it",
    "faults": "bits that mean a fault",
    "rate": "how fast it may change, a minute",
}
"""Roles of registers, of what talks Modbus."""
_REGISTER: Final = {
    "address": TableKey(whole("from 0, as on the line", 0, 65_535), required=True),
    "scale": TableKey(number("units to one count", high=1e6, above=0), default=1.0),
    "signed": TableKey(yes_no("two's complement"), default=True),
    "on": TableKey(whole("what starts it", 0, 65_535), default=1),
    "off": TableKey(whole("what stops it", 0, 65_535), default=0),
    "bits": TableKey(a_table("bits"), default={}),
}
COUNTING_KEYS: Final = {
    "counting": TableKey(one_of(COUNTING), default=""),
    "gapless": TableKey(yes_no("whether each gate begins where the last one ended")),
    "digits": TableKey(one_of(DIGITS), default=""),
}
"""How a counter counts: in a dialect, and in a bench file, which goes before it."""
_DIALECT: Final = {
    "title": TableKey(text("what a person calls it"), required=True),
    "talks": TableKey(one_of(["scpi", "line", "modbus"]), required=True),
    "terminator": TableKey(
        matching(
            "the end of a line, one to four ASCII characters", r"[\x00-\x7f]{1,4}"
        ),
        default=_DEFAULTS.terminator,
    ),
    **COUNTING_KEYS,
}
_COMMANDS: Final = {
    role: TableKey(matching(f"a command of printable ASCII: {meaning}", _ASCII))
    for role, meaning in (ASKS | TELLS).items()
}
_REPLY: Final = {
    "pattern": TableKey(
        matching("a regular expression with a group (?P<value>...)", r".+"),
        default=_DEFAULTS.reply,
    ),
    "unit": TableKey(one_of(UNITS), default=_DEFAULTS.unit),
    "scale": TableKey(
        number("value times this is in unit", high=1e15, above=0), default=1.0
    ),
    "no_signal": TableKey(texts("replies that mean: nothing to measure"), default=()),
    "overload": TableKey(texts("replies that mean: beyond its range"), default=()),
}


def load_dialect(name_or_path: str, beside: Traversable | None = None) -> Dialect:
    """Return the dialect of this name, or of the file at this path.

    A relative path starts at the folder of the file `beside`, if given. Raises
    NotFoundError with near matches, ConfigError with every problem of the file.
    """
    entry = find("dialects", name_or_path, beside)
    return dialect_from_mapping(read_toml(entry), stem(entry), str(entry))


def dialect_from_mapping(document: Mapping[str, Any], name: str, file: str) -> Dialect:
    """Build a dialect from a dialect file's contents; `file` names it in problems.

    Raises ConfigError with every problem.
    """
    findings = Findings(file, document)
    tables = findings.table(document, "", _TABLES)
    dialect = findings.table(tables["dialect"], "dialect", _DIALECT)
    commands = findings.table(tables["commands"], "commands", _COMMANDS)
    given = {role: said for role, said in commands.items() if said is not None}
    reply = findings.table(tables["reply"], "reply", _REPLY)
    _check_commands(given, findings)
    _check_talk(dialect["talks"], given, findings)
    _check_reply(reply, findings)
    registers = _registers(dialect["talks"], tables["registers"], findings)
    block = block_form(dialect, given, tables["block"], findings)
    if block is not None and (reply["unit"], reply["scale"]) != ("Hz", 1.0):
        findings.add("block", "found it", 'unit = "Hz", scale = 1.0 in [reply]')
    findings.finish()
    pattern = reply.pop("pattern")
    return Dialect(
        name=name,
        commands=given,
        reply=pattern,
        registers=registers,
        block=block,
        **dialect,
        **reply,
    )


def _registers(
    talks: str | None, tables: Mapping[str, Any] | None, findings: Findings
) -> dict[str, Register]:
    """Read the registers of what talks Modbus; others have none."""
    shapes = {role: TableKey(a_table(f"registers.{role}")) for role in REGISTERS}
    given = findings.table(tables, "registers", shapes)
    if talks != "modbus" and tables is not None:
        findings.add("registers", "found some", 'talks = "modbus"')
    found: dict[str, Register] = {}
    for role, table in given.items():
        if table is None:
            continue
        values = findings.table(table, f"registers.{role}", _REGISTER)
        path = f"registers.{role}.bits"
        for bit, said in findings.entries(values["bits"], path).items():
            if not (bit.isascii() and bit.isdigit() and int(bit) < _BITS):
                findings.add(f"{path}.{bit}", "found this bit", "0 to 15 in quotes")
            findings.value(said, f"{path}.{bit}", TableKey(text("what it means")))
        if values["address"] is not None:
            found[role] = Register(**values)
    if talks == "modbus":
        for role in ("set_point", "measured"):
            if role not in given or given[role] is None:
                findings.add(f"registers.{role}", "missing", REGISTERS[role])
    return found


_BITS: Final = 16  # definition: of a Modbus register


def _check_commands(commands: Mapping[str, str], findings: Findings) -> None:
    for role, said in commands.items():
        fault = _command_fault(role, said)
        if fault:
            findings.add(f"commands.{role}", f"found {said!r}", fault)


def _command_fault(role: str, said: str) -> str:
    """Return what was expected of a command, empty when it is fit."""
    try:
        fields = list(string.Formatter().parse(said))
    except ValueError:
        return "braces in pairs, around a setting"
    used = [name for _, name, _, _ in fields if name is not None]
    if not set(used) <= set(SETTINGS) or any(form or turn for *_, form, turn in fields):
        return "in braces only " + ", ".join(SETTINGS)
    if role in TELLS and "?" in said:
        return "no question: its answer would be taken for the next one"
    needed = _SETTING.get(role) or _setting_of(role)
    return f"{{{needed}}} in it" if needed and needed not in used else ""


_SETTING: Final = {"limit_set": "limit_a", "rate_set": "rate_per_min"}


def _setting_of(role: str) -> str:
    """Return the setting that a `..._set` command must hold."""
    subject, _, verb = role.partition("_")
    near = [name for name in SETTINGS if name.startswith(subject)]
    return near[0] if verb == "set" else ""


def _check_talk(
    talks: str | None, commands: Mapping[str, str], findings: Findings
) -> None:
    if talks == "line" and commands:
        expected = "no commands: nothing is sent to what only talks"
        findings.add("commands", f"found {len(commands)}", expected)
    takes = {"read", "measure", "closed_get"} & commands.keys() or {
        "initiate",
        "fetch",
    } <= (commands.keys())
    if talks == "scpi" and not takes and not findings.mentions("commands."):
        expected = "read, or initiate and fetch, or measure"
        findings.add("commands", "no way to take a value", expected)


def _check_reply(reply: Mapping[str, Any], findings: Findings) -> None:
    fault = pattern_fault(reply["pattern"])
    if fault:
        expected = "a regular expression with a group (?P<value>...)"
        findings.add("reply.pattern", fault, expected)
