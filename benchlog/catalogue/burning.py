"""`[burn]` in a bench file: the program that makes a trim code permanent."""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.catalogue.check import Findings, TableKey, number
from benchlog.catalogue.user_commands import PROGRAM, look_for_scripts
from benchlog.model import BurnRule

_BURN: Final = {
    "command": TableKey(PROGRAM, default=()),
    "power_cycle": TableKey(PROGRAM, default=()),
    "limit_s": TableKey(number("seconds that it may take", 0.1, 300), default=30.0),
}
_CODE: Final = "{code}"


def burn_rule(findings: Findings, table: Mapping[str, Any] | None) -> BurnRule | None:
    """Read `[burn]`, if there is one; what is unfit is noted in `findings`.

    A command that is not told the code would burn whatever the chip holds by then.
    """
    if table is None:
        return None
    values = findings.table(table, "burn", _BURN)
    command = values["command"] or ()
    if not any(_CODE in word for word in command[1:]):
        found = "no word with {code}" if command else "missing"
        expected = 'the program and its words, such as ["burner", "{code}"]'
        findings.add("burn.command", found, expected)
    for name in ("command", "power_cycle"):
        look_for_scripts(findings, f"burn.{name}", values[name] or (), "device")
    return BurnRule(**values)
