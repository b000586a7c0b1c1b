"""Readings as lines of text, a page of them at once.

Each column is made into texts as a whole, what all rows share only once; then the rows
are put together. One by one they would take a fifth longer.
"""

import json
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import chain
from typing import Any, Final

import numpy as np

from benchlog.exchange.spreadsheet_cells import cell
from benchlog.model import Run
from benchlog.store.logged_tables import READINGS, LoggedRows
from benchlog.units import NS_PER_S, offset_ppm

_NO_TIME: Final = np.iinfo(np.int64).min
"""The one number of ns that NumPy takes for no time."""
_NULL: Final = "null"
_REPEATED: Final = 0.5  # our rule: texts are looked up where half of the values repeat


Column = str | list[str]
"""The texts of a column, or the one text that all rows have."""


def csv_rows(page: LoggedRows, run: Run) -> str:
    """Return lines of comma-separated values; `READINGS` has the order of columns."""
    if not page:
        return ""
    ids, segments, utc, mono, gates, hertz, ambient, flags, raw = _columns(page)
    cells = (
        list(map(repr, ids)),
        _texts(segments, ""),
        _utc_cells(utc),
        list(map(repr, mono)),
        _texts(gates, ""),
        list(map(repr, hertz)),
        _texts(ambient, ""),
        _texts(flags, ""),
        list(map("{:.9g}".format, _offsets_ppm(hertz, run))),
        "" if _is_empty(raw) else ["" if one is None else cell(one) for one in raw],
    )
    commas = ("",) + (",",) * (len(cells) - 1)
    return _woven([*chain.from_iterable(zip(commas, cells, strict=True)), "\n"])


def json_rows(page: LoggedRows) -> str | None:
    """Return lines as `json.dumps` writes readings; None where one is no number."""
    if not page:
        return ""
    if page.columns != READINGS.columns:
        return None
    ids, segments, utc, mono, gates, hertz, ambient, flags, raw = _columns(page)
    if not _are_finite(gates, hertz, (one for one in ambient if one is not None)):
        return None
    values = (
        list(map(repr, ids)),
        _texts(segments, _NULL),
        _NULL
        if _is_empty(utc)
        else [_NULL if one is None else repr(one) for one in utc],
        list(map(repr, mono)),
        _texts(gates, _NULL),
        list(map(repr, hertz)),
        _texts(ambient, _NULL),
        _texts(flags, _NULL),
        _NULL
        if _is_empty(raw)
        else [_NULL if one is None else json.dumps(one) for one in raw],
    )
    names = (f', "{name}": ' for name in READINGS.columns)
    pieces = chain.from_iterable(zip(names, values, strict=True))
    return _woven(['{"row": "reading"', *pieces, "}\n"])


def _woven(columns: Iterable[Column]) -> str:
    """Return the texts of all rows, column after column in each.

    At least one column differs from row to row.
    """
    merged: list[Column] = []
    for one in columns:
        if isinstance(one, str) and merged and isinstance(merged[-1], str):
            merged[-1] += one
        else:
            merged.append(one)
    rows = max(len(one) for one in merged if not isinstance(one, str))
    width = len(merged)
    texts = [""] * (rows * width)
    for at, one in enumerate(merged):
        texts[at::width] = [one] * rows if isinstance(one, str) else one
    return "".join(texts)


def _columns(page: LoggedRows) -> list[tuple[Any, ...]]:
    return list(zip(*page.rows, strict=True))


def _is_empty(column: Sequence[object]) -> bool:
    return column.count(None) == len(column)


def _texts(column: Sequence[float | None], none: str) -> Column:
    """Return numbers as Python writes them, `none` for None."""
    known = set(column)
    texts = {one: none if one is None else repr(one) for one in known}
    if len(known) == 1 and 0 not in known:
        return texts[column[0]]
    zero = next((one for one in known if one == 0), None)
    # a negative zero equals the other one, and is written otherwise
    if isinstance(zero, float) or len(known) > _REPEATED * len(column):
        return [none if one is None else repr(one) for one in column]
    return list(map(texts.__getitem__, column))


def _utc_cells(column: Sequence[int | None]) -> Column:
    """Return two cells of each time: ISO 8601 with nine decimals and `Z`, and ns."""
    if _is_empty(column):
        return ","
    if None in column or _NO_TIME in column:
        return ["," if one is None else f"{utc_text(one)},{one}" for one in column]
    dates = np.datetime_as_string(np.array(column, "datetime64[ns]"))
    return [f"{one}Z,{ns}" for one, ns in zip(dates.tolist(), column, strict=True)]


def _offsets_ppm(hertz: Sequence[float], run: Run) -> list[float]:
    with np.errstate(over="ignore", invalid="ignore"):  # written as they come
        values: Any = np.array(hertz, np.float64) * run.divider
        offsets: Any = offset_ppm(values, run.nominal_hz)
    return list(offsets.tolist())


def _are_finite(*columns: Iterable[float]) -> bool:
    try:
        return math.isfinite(sum(map(sum, columns)))
    except TypeError:
        return False


def utc_text(utc_ns: int) -> str:
    """Return ns since 1970 as ISO 8601 with nine decimals and `Z`."""
    seconds, rest = divmod(utc_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
    return f"{moment.isoformat()}.{rest:09d}Z"
