"""`[block]` of a dialect: how a counter that streams hands over readings."""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    TableKey,
    number,
    one_of,
    texts,
    whole,
)
from benchlog.model import MOST_READINGS, BlockForm
from benchlog.model.blocks import (
    DATA,
    FIELDS,
    ORDERS,
    STAMP,
    TEXT,
    VALUE,
    most_in_a_line,
)

_DEFAULTS: Final = BlockForm()
_BLOCK: Final = {
    "data": TableKey(one_of(DATA), default=_DEFAULTS.data),
    "order": TableKey(one_of(ORDERS), default=_DEFAULTS.order),
    "fields": TableKey(texts("value, stamp"), default=_DEFAULTS.fields),
    "stamp_s": TableKey(
        number("seconds to 1 of a stamp", high=1e6, above=0), default=1.0
    ),
    "most": TableKey(
        whole("readings in one answer", 1, MOST_READINGS), default=MOST_READINGS
    ),
}
_ROLES: Final = ("stream", "stream_end", "block")


def block_form(
    dialect: Mapping[str, Any],
    commands: Mapping[str, str],
    table: Mapping[str, Any] | None,
    findings: Findings,
) -> BlockForm | None:
    """Read `[block]`; None of a dialect without. Problems go to `findings`.

    The time of a reading is known where the counter gives it, or where each gate begins
    as the one before ends: of others no reading could be told when it was taken.
    """
    declared = [role for role in _ROLES if role in commands]
    if table is None:
        if declared:
            findings.add("block", "missing", f"a table [block] for {declared[0]!r}")
        return None
    values = findings.table(table, "block", _BLOCK)
    if dialect["talks"] != "scpi":
        findings.add("block", "found it", 'talks = "scpi"')
    for role in _ROLES:
        if role not in commands:
            findings.add(f"commands.{role}", "missing", "it in a dialect with [block]")
    fields = values["fields"]
    if fields is None:
        return None
    if sorted(fields) not in ([VALUE], sorted(FIELDS)):
        findings.add(
            "block.fields", f"found {list(fields)}", 'value once, "stamp" at most once'
        )
    elif STAMP not in fields and dialect["gapless"] is not True:
        expected = '"stamp" in block.fields, or gapless = true'
        findings.add("dialect.gapless", "no time of a reading follows", expected)
    if None in values.values():
        return None
    if values["data"] == TEXT:
        values["most"] = min(values["most"], most_in_a_line(len(fields)))
    return BlockForm(**values)
