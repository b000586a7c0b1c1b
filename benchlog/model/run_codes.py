"""What a scanner reads off a label: a run's UUID, alone, as a URN or in an address.

A text is only looked at. Nothing that it names is opened or asked.
"""

import re
from dataclasses import dataclass
from typing import Final

from benchlog.model.devices import DEVICE_ID_CHARACTERS

_UUID: Final = r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
_FLAGS: Final = re.IGNORECASE | re.ASCII
_ALONE: Final = re.compile(_UUID, _FLAGS)
_URN: Final = re.compile(rf"urn:uuid:({_UUID})", _FLAGS)
_ADDRESS: Final = re.compile(r"https?://[!-~]+", _FLAGS)
_WITHIN: Final = re.compile(rf"(?<![0-9a-z-])({_UUID})(?![0-9a-z-])", _FLAGS)
MOST_CHARACTERS: Final = 4 * DEVICE_ID_CHARACTERS  # our rule: twice what a label holds


@dataclass(frozen=True, slots=True)
class RunCode:
    """The UUID that a text names.

    `alone` tells that the text is nothing else: a device may have such an id, too.
    """

    uid: str
    alone: bool


def run_code(text: str) -> RunCode | None:
    """Return the run that a scanned text names; None where it is no code of a run.

    A URN is written as RFC 9562 (section 4) and RFC 8141 have it, capitals or not. An
    address (http or https) names a run when exactly one UUID is in it.
    """
    text = text.strip()
    if len(text) > MOST_CHARACTERS:
        return None
    if _ALONE.fullmatch(text):
        return RunCode(text.lower(), alone=True)
    if found := _URN.fullmatch(text):
        return RunCode(found[1].lower(), alone=False)
    if _ADDRESS.fullmatch(text):
        named = {one.lower() for one in _WITHIN.findall(text)}
        if len(named) == 1:
            return RunCode(named.pop(), alone=False)
    return None
