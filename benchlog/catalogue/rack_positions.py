"""Keys of a position in a rack: its channel of a scanner, what sets its conditions."""

from collections.abc import Mapping, Sequence, Set
from typing import Any, Final

from benchlog.catalogue.check import Findings, TableKey, number, text, whole
from benchlog.model import TURN_GATES, TURN_SETTLE_S, PositionSpec

_setter: Final = text("the name of a setter of this file", longest=40)
RACK_KEYS: Final = {
    "through": TableKey(text("the name of a scanner of this file", longest=40)),
    "channel": TableKey(whole("of that scanner", 1, 999_999)),
    "chamber": TableKey(_setter),
    "feed": TableKey(_setter),
    "control": TableKey(_setter),
    "load": TableKey(_setter),
}
TURN_KEYS: Final = {
    "turn_settle_s": TableKey(
        number("of a scanner: s from a closed channel to the first gate", high=3600),
        default=TURN_SETTLE_S,
    ),
    "turn_gates": TableKey(
        whole("of a scanner: gates of a device in its turn", 1, 100_000),
        default=TURN_GATES,
    ),
}
SETTERS: Final = ("through", "chamber", "feed", "control", "load")
"""Roles that only a driver which sets something can have."""
SETTER_QUANTITIES: Final = {
    "through": ("channel",),
    "chamber": ("temperature",),
    "feed": ("voltage",),
}


def check_setters(
    findings: Findings, values: Mapping[str, Any], path: str, setters: Set[str]
) -> None:
    """Note roles given to instruments that set nothing."""
    for role in SETTERS:
        name = values[role]
        if name is not None and name not in setters:
            expected = "an instrument whose driver sets something"
            findings.add(f"{path}.{role}", f"{name!r} only measures", expected)


def check_turns(
    findings: Findings, given: Mapping[str, Any], path: str, quantity: str
) -> None:
    """Note turns of what is no scanner."""
    for key in TURN_KEYS:
        if key in given and quantity not in ("", "channel"):
            findings.add(
                f"{path}.{key}", f"it sets no channel: {quantity}", "a scanner"
            )


def check_channel(
    findings: Findings,
    values: Mapping[str, Any],
    path: str,
    others: Sequence[PositionSpec],
) -> None:
    """Note a scanner without a channel, and a channel that two positions have."""
    through, channel = values["through"], values["channel"]
    if (through is None) != (channel is None):
        missing = "channel" if channel is None else "through"
        findings.add(f"{path}.{missing}", "missing", "scanner and channel together")
    for other in others:
        if through is not None and (other.through, other.channel) == (through, channel):
            found = f"found {channel}, which position {other.name!r} has"
            findings.add(f"{path}.channel", found, "a channel of its own for each")
