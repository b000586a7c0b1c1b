"""Values of a bench's database as PostgreSQL takes them.

Its texts hold no NUL and no half of a surrogate pair, its JSON no infinity; what a
damaged or hostile database holds must not end the sending of everything else.
"""

import hashlib
import json
import math
import re
from collections.abc import Sequence
from typing import Any, Final, NoReturn
from uuid import UUID

from benchlog.store.masked_snapshot import told_to_others
from benchlog.store.snapshot import without_programs

_NUL_SIGN: Final = "␀"
"""U+2400, the sign for NUL, in its place."""
_ESCAPED: Final = re.compile(r"(\\\\)|\\u0000")
"""A backslash, which is no NUL whatever follows it, or a NUL."""


def text(value: str) -> str:
    """Return a text that can be stored over there; all but odd ones as they are."""
    if value.isascii():
        return value.replace("\0", _NUL_SIGN) if "\0" in value else value
    known = value.encode("utf-8", "backslashreplace").decode("utf-8")
    return known.replace("\0", _NUL_SIGN)


def plain(value: Any) -> Any:
    """Return any value of a row as it can be stored over there."""
    return text(value) if isinstance(value, str) else value


def json_text(value: object) -> str | None:
    """Return a JSON text that can be stored over there; None for what is no JSON."""
    found = _parsed(value)
    return None if found is None else _told(found)


def snapshot_text(value: object) -> str | None:
    """Return a run's snapshot as others get it: no password, no program of alarms."""
    if not isinstance(value, str):
        return None
    found = _parsed(without_programs(value)[0])
    return _told(told_to_others(found)) if isinstance(found, dict) else None


def _told(value: object) -> str:
    written = json.dumps(value, ensure_ascii=False, allow_nan=False)
    written = _ESCAPED.sub(lambda found: found[1] or _NUL_SIGN, written)
    return written.encode("utf-8", "replace").decode("utf-8")


def _parsed(value: object) -> object:
    if not isinstance(value, str):
        return None
    try:
        return json.loads(value, parse_constant=_refused, parse_float=_finite)
    except (ValueError, RecursionError):
        return None


def _refused(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError(f"{digits} is no finite number")
    return number


def digest(row: Sequence[Any]) -> UUID:
    """Return what is the same for two rows of the same content, and for no others."""
    told = repr(tuple(row)).encode("utf-8", "backslashreplace")
    return UUID(bytes=hashlib.blake2b(told, digest_size=16).digest())
