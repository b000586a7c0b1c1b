"""`[[alarm]]` in a bench file: when somebody wants to be told, and how."""

from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    TableKey,
    matching,
    number,
    one_of,
)
from benchlog.catalogue.user_commands import PROGRAM, look_for_scripts
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
_bound: Final = number("in the unit of what is watched", -1e9, 1e9)
# Source of what is no part of an address: RFC 3986, 2, and its appendix C. Such a sign
# ends what is masked where the address is shown.
_ALARM: Final = {
    "when": TableKey(one_of(WATCHED), required=True),
    "above": TableKey(_bound),
    "below": TableKey(_bound),
    "hysteresis": TableKey(number("how far it must come back", 0, 1e9)),
    "hold_s": TableKey(number("how long it must be beyond, in s", 0, 1e6), default=0.0),
    "quiet_s": TableKey(
        number("not raised again before, in s", 0, 1e6), default=_QUIET_S
    ),
    "command": TableKey(PROGRAM, default=()),
    "webhook": TableKey(
        matching(
            'an address http://... or https://..., without any of "<>',
            r"https?://[!#-;=?-~]{1,500}",
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
    look_for_scripts(findings, f"{path}.command", values["command"] or (), "text")
    values["when"] = values["when"] or WATCHED[0]
    return AlarmRule(**values)


def _check_bounds(findings: Findings, values: dict[str, Any], path: str) -> None:
    above, below = values["above"], values["below"]
    if above is None and below is None:
        findings.add(f"{path}.above", "missing", "above or below: when to raise it")
    elif above is not None and below is not None and below >= above:
        expected = "a lower number than above; between the two all is well"
        findings.add(f"{path}.below", f"found {as_stated(below)}", expected)
