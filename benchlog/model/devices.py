"""Devices and their ids."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Device:
    """One physical thing with an id a person can read off it."""

    id: str
    part_id: str
    lot_id: str | None = None


DEVICE_ID_CHARACTERS: Final = 120  # our rule: more than any label holds; fits a line


def device_id_fault(text: str) -> str:
    """Return why a text is no device id, or nothing when it is one.

    An id is read off a thing: one line of at most `DEVICE_ID_CHARACTERS`.
    """
    if not text.strip():
        return "it is empty"
    if "\t" in text or len(text.splitlines()) > 1:
        return "a device id has no line breaks or tabs"
    if len(text) > DEVICE_ID_CHARACTERS:
        return f"a device id has at most {DEVICE_ID_CHARACTERS} characters"
    if any("\ud800" <= sign <= "\udfff" for sign in text):  # bytes that are no UTF-8
        return "it holds bytes that are not UTF-8 text; type it again"
    return ""
