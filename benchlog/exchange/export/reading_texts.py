"""Readings as lines of text, a chunk of them at once.

Each column is made into texts as a whole, what all rows share only once; then the rows
are put together. One by one they would take a fifth longer.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.export.reading_chunks import Chunk
from benchlog.exchange.spreadsheet_cells import cell
from benchlog.model import Columns, Run
from benchlog.store.logged_tables import READINGS
from benchlog.units import NS_PER_S, offset_ppm

_TEN_DIGITS_S: Final = 1_000_000_000
"""The first second since 1970 whose number has ten digits, as all later ones have."""
_UTC_CELLS: Final = b"0000-00-00T00:00:00.000000000Z,0000000000000000000\n"
_NULL: Final = "null"
_REPEATED: Final = 0.5  # our rule: texts are looked up where half of the values repeat


Whole = NDArray[np.int64]
Column = str | list[str]
"""The texts of a column, or the one text that all rows have."""


def csv_rows(chunk: Chunk, run: Run) -> str:
    """Return lines of comma-separated values; `READINGS` has the order of columns."""
    if not len(chunk):
        return ""
    ids, segments, _, mono, gates, hertz, ambient, flags, raw = stored_columns(chunk)
    cells = (
        list(map(repr, ids)),
        _texts(segments, ""),
        _utc_cells(chunk.columns.utc_ns, chunk.undated),
        list(map(repr, mono)),
        _texts(gates, ""),
        list(map(repr, hertz)),
        _texts(ambient, ""),
        _texts(flags, ""),
        [f"{one:.9g}" for one in _offsets_ppm(chunk, run)],
        "" if _is_empty(raw) else ["" if one is None else cell(one) for one in raw],
    )
    commas = ("",) + (",",) * (len(cells) - 1)
    return _woven([*chain.from_iterable(zip(commas, cells, strict=True)), "\n"])


def json_rows(chunk: Chunk) -> str | None:
    """Return lines as `json.dumps` writes readings; None where one is no number."""
    if not len(chunk):
        return ""
    numbers = chunk.columns
    if not _are_finite(numbers.gate_s, numbers.frequency_hz):
        return None
    if np.isinf(numbers.ambient_c).any():
        return None
    ids, segments, utc, mono, gates, hertz, ambient, flags, raw = stored_columns(chunk)
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


def stored_columns(chunk: Chunk) -> list[list[Any]]:
    """Return the columns of `READINGS` as they are stored, None where one is NULL."""
    numbers = chunk.columns
    columns = {name: getattr(numbers, name).tolist() for name in Columns.__slots__}
    for name, missing in (
        ("utc_ns", chunk.undated),
        ("ambient_c", np.isnan(numbers.ambient_c)),
    ):
        for at in np.flatnonzero(missing).tolist():
            columns[name][at] = None
    raw = list(map(chunk.raw.get, columns["id"]))
    return [*columns.values(), raw]


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


def _utc_cells(utc_ns: Whole, undated: NDArray[np.bool_]) -> Column:
    """Return two cells of each time: ISO 8601 with nine decimals and `Z`, and ns."""
    if undated.all():
        return ","
    if not undated.any() and utc_ns.min() >= _TEN_DIGITS_S * NS_PER_S:
        return _late_utc_cells(utc_ns)
    pairs = zip(utc_ns.tolist(), undated.tolist(), strict=True)
    return ["," if without else f"{utc_text(one)},{one}" for one, without in pairs]


def _late_utc_cells(utc_ns: Whole) -> list[str]:
    """Return the cells of times that all have 19 digits: since September 2001.

    Digit by digit for all of them at once, so that no time is taken apart alone.
    """
    seconds, rest_ns = np.divmod(utc_ns, NS_PER_S)
    minutes, which = np.unique(seconds // 60, return_inverse=True)
    heads = np.datetime_as_string(minutes.view("datetime64[m]")).astype("S16")
    octets = np.tile(np.frombuffer(_UTC_CELLS, np.uint8), (len(utc_ns), 1))
    octets[:, :16] = heads.view(np.uint8).reshape(len(heads), -1)[which]
    _write_digits(octets[:, 17:19], seconds % 60)
    _write_digits(octets[:, 20:29], rest_ns)
    _write_digits(octets[:, 31:41], seconds)
    octets[:, 41:50] = octets[:, 20:29]
    return octets.tobytes().decode("ascii").split("\n")[:-1]


def _write_digits(octets: NDArray[np.uint8], values: Whole) -> None:
    """Write the last decimal digits of values, as many as there are columns."""
    for place in reversed(range(octets.shape[1])):
        higher = values // 10
        octets[:, place] = values - 10 * higher + ord("0")
        values = higher


def _offsets_ppm(chunk: Chunk, run: Run) -> list[float]:
    with np.errstate(over="ignore", invalid="ignore"):  # written as they come
        values: Any = chunk.columns.frequency_hz * run.divider
        offsets: Any = offset_ppm(values, run.nominal_hz)
    return list(offsets.tolist())


def _are_finite(*columns: NDArray[np.float64]) -> bool:
    return all(bool(np.isfinite(one).all()) for one in columns)


def utc_text(utc_ns: int) -> str:
    """Return ns since 1970 as ISO 8601 with nine decimals and `Z`."""
    seconds, rest = divmod(utc_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
    return f"{moment.isoformat()}.{rest:09d}Z"
