"""Cells that no spreadsheet executes and no separator splits, and back again.

A spreadsheet runs a cell that begins with `=`, `+`, `-` or `@`, and some split lines at
`;` or tab even inside quotes that another reader respects. So what could do harm is
percent-encoded (RFC 3986, section 2.1): the text holds no separator, no quote and no
control character, none that turns the direction of writing or cannot be seen, and no
cell begins with anything but a harmless character. Numbers stay as they are.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import unquote

from benchlog.errors import DataError

_CONTROLS: Final = (
    r"\x00-\x1f\x7f-\x9f\u2028\u2029\ufeff\ud800-\udfff"
    # what is not seen and changes what is: bidirectional and zero-width characters
    r"\u00ad\u061c\u115f\u1160\u180e\u200b-\u200f\u202a-\u202e\u2060-\u206f"
    r"\u3164\ufe00-\ufe0f\uffa0\ufff9-\ufffb\U000e0000-\U000e0fff"
)
_RISKY: Final = re.compile(rf'[{_CONTROLS}%,;|=@"]|^[-+\'\s＝＋－＠]|\s$')
_RISKY_IN_JSON: Final = re.compile(rf"[{_CONTROLS}%,;|=@]")
_NUMBER: Final = re.compile(r"[-+]?[0-9]+(\.[0-9]*)?([eE][-+]?[0-9]+)?")
_EMPTY: Final = "%"


def cell(text: str | None) -> str:
    """Return a text as one safe cell; nothing becomes an empty cell, `""` a `%`."""
    if text is None:
        return ""
    if _NUMBER.fullmatch(text):
        return text
    return _RISKY.sub(_encoded, text) or _EMPTY


def table_text(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """Return rows as comma-separated values of safe cells, the columns' names first."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(_plain(row[name])) for name in columns] for row in rows)
    return out.getvalue()


def _plain(value: object) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return None if value is None else str(value)


def text_of(written: str) -> str | None:
    """Return the text that `cell` was given."""
    if not written:
        return None
    return "" if written == _EMPTY else unquote(written, errors="surrogatepass")


def comment(key: str, value: object) -> str:
    """Return a comment line, `# key: JSON`, that stays one cell in a spreadsheet."""
    plain = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return f"# {key}: {_RISKY_IN_JSON.sub(_encoded, plain)}\n"


def comment_of(line: str) -> tuple[str, Any]:
    """Return key and value of a line that `comment` wrote.

    Raises DataError when it is not one.
    """
    key, colon, written = line.removeprefix("# ").partition(": ")
    try:
        if not colon:
            raise ValueError("no colon")
        return key, json.loads(unquote(written.strip(), errors="surrogatepass"))
    except (ValueError, RecursionError) as error:
        raise DataError(
            f"a damaged comment line of an export: {line[:60]!r}"
        ) from error


def mapping_of(value: object) -> Mapping[str, Any]:
    """Return a JSON value that must be a mapping. Raises DataError."""
    if isinstance(value, dict):
        return value
    raise DataError(f"expected a JSON object, found {str(value)[:60]!r}")


def _encoded(found: re.Match[str]) -> str:
    octets = found.group().encode(errors="surrogatepass")
    return "".join(f"%{octet:02X}" for octet in octets)
