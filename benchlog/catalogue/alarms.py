"""`[[alarm]]` in a bench file: when somebody wants to be told, and how."""

import re
from itertools import pairwise
from pathlib import PurePath
from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    TableKey,
    matching,
    number,
    one_of,
    texts,
)
from benchlog.model import AlarmRule
from benchlog.units import as_stated

WATCHED: Final = (
    "offset_ppm",
    "jitter_ppm",
    "lost_s",
    "reference_s",
    "ambient_c",
    "disk_mb",
    "forward_s",
)
_BACK_OR_NOT: Final = ("lost_s", "reference_s", "forward_s")
_SHARE: Final = 0.05  # of the bound: how far a value must come back by default
_QUIET_S: Final = 600.0
_SHELLS: Final = frozenset(
    ("sh", "bash", "dash", "ash", "zsh", "ksh", "mksh", "fish", "csh", "tcsh")
)
_SCRIPT_OPTION: Final = re.compile(r"-[A-Za-z]*c")  # source: POSIX.1-2017, sh: -c
_VALUE: Final = re.compile(r"\{\w+\}")
_BESIDE_IT: Final = (
    'the value as a word behind the script: ["sh", "-c", \'notify "$1"\', "sh", '
    '"{text}"]'
)
_bound: Final = number("in the unit of what is watched", -1e9, 1e9)
_ALARM: Final = {
    "when": TableKey(one_of(WATCHED), required=True),
    "above": TableKey(_bound),
    "below": TableKey(_bound),
    "hysteresis": TableKey(number("how far it must come back", 0, 1e9)),
    "hold_s": TableKey(number("how long it must be beyond, in s", 0, 1e6), default=0.0),
    "quiet_s": TableKey(
        number("not raised again before, in s", 0, 1e6), default=_QUIET_S
    ),
    "command": TableKey(
        texts("a program and its arguments, no shell", secret=True), default=()
    ),
    "webhook": TableKey(
        matching(
            "an address http://... or https://...",
            r"https?://[!-~]{1,500}",
            secret=True,
        ),
        default="",
    ),
}


def alarm_rules(findings: Findings, tables: list[object]) -> tuple[AlarmRule, ...]:
    """Read every `[[alarm]]`; what is unfit is noted in `findings`."""
    return tuple(
        _rule(findings, table, f"alarm[{index}]") for index, table in enumerate(tables)
    )


def _rule(findings: Findings, table: object, path: str) -> AlarmRule:
    values = findings.table(table, path, _ALARM)
    above, below = values["above"], values["below"]
    if not findings.mentions(path):
        _check_bounds(findings, values, path)
    if values["hysteresis"] is None:
        bounds = [abs(bound) for bound in (above, below) if bound is not None]
        lost = values["when"] in _BACK_OR_NOT
        values["hysteresis"] = 0.0 if lost else _SHARE * min(bounds, default=0.0)
    if _in_a_script(values["command"] or ()):
        found = "{...} within the script of a shell, which would run what a value says"
        findings.add(f"{path}.command", found, _BESIDE_IT)
    values["when"] = values["when"] or WATCHED[0]
    return AlarmRule(**values)


def _in_a_script(command: tuple[str, ...]) -> bool:
    """Whether a value is filled into what a shell takes for a script (`sh -c`)."""
    follows_shell = False
    for word, after in pairwise(command):
        follows_shell = follows_shell or PurePath(word).name in _SHELLS
        if follows_shell and _SCRIPT_OPTION.fullmatch(word):
            return _VALUE.search(after) is not None
    return False


def _check_bounds(findings: Findings, values: dict[str, Any], path: str) -> None:
    above, below = values["above"], values["below"]
    if above is None and below is None:
        findings.add(f"{path}.above", "missing", "above or below: when to raise it")
    elif above is not None and below is not None and below >= above:
        expected = "a lower number than above; between the two all is well"
        findings.add(f"{path}.below", f"found {as_stated(below)}", expected)
