"""Readings as lines of text, a chunk of them at once.

Each column is made into texts as a whole, what all rows share only once; then the rows
are put together.
"""

import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.export.number_texts import (
    Real,
    Whole,
    float_texts,
    nine_digit_texts,
    whole_texts,
)
from benchlog.exchange.export.reading_chunks import Chunk
from benchlog.exchange.spreadsheet_cells import cell
from benchlog.model import Columns, Run
from benchlog.store.logged_tables import READINGS
from benchlog.units import NS_PER_S, offset_ppm

_TEN_DIGITS_S: Final = 1_000_000_000
"""The first second since 1970 whose number has ten digits, as all later ones have."""
_UTC_CELLS: Final = b"0000-00-00T00:00:00.000000000Z,0000000000000000000\n"
_NULL: Final = "null"
Texts = Callable[[str], list[str]]
Column = str | Texts
"""What gives the texts of a column, each with an ending, or the one that all have."""


def csv_rows(chunk: Chunk, run: Run) -> str:
    """Return lines of comma-separated values; `READINGS` has the order of columns."""
    if not len(chunk):
        return ""
    numbers = chunk.columns
    cells = (
        partial(whole_texts, numbers.id),
        _repeated_whole(numbers.segment),
        _utc_cells(numbers.utc_ns, chunk.undated),
        partial(whole_texts, numbers.mono_ns),
        _repeated(numbers.gate_s),
        partial(float_texts, numbers.frequency_hz),
        partial(float_texts, numbers.ambient_c, none=""),
        _repeated_whole(numbers.flags),
        partial(nine_digit_texts, _offsets_ppm(chunk, run)),
        _raw_texts(chunk, lambda one: "" if one is None else cell(one)),
    )
    commas = ("",) + (",",) * (len(cells) - 1)
    pieces = chain.from_iterable(zip(commas, cells, strict=True))
    return _woven([*pieces, "\n"], len(chunk))


def json_rows(chunk: Chunk) -> str | None:
    """Return lines as `json.dumps` writes readings; None where one is no number."""
    if not len(chunk):
        return ""
    numbers = chunk.columns
    if not _are_finite(numbers.gate_s, numbers.frequency_hz):
        return None
    if np.isinf(numbers.ambient_c).any():
        return None
    values = (
        partial(whole_texts, numbers.id),
        _repeated_whole(numbers.segment),
        _utc_numbers(numbers.utc_ns, chunk.undated),
        partial(whole_texts, numbers.mono_ns),
        _repeated(numbers.gate_s),
        partial(float_texts, numbers.frequency_hz),
        partial(float_texts, numbers.ambient_c, none=_NULL),
        _repeated_whole(numbers.flags),
        _raw_texts(chunk, json.dumps),
    )
    names = (f', "{name}": ' for name in READINGS.columns)
    pieces = chain.from_iterable(zip(names, values, strict=True))
    return _woven(['{"row": "reading"', *pieces, "}\n"], len(chunk))


def _woven(columns: Iterable[Column], rows: int) -> str:
    """Return the texts of all rows, column after column in each.

    What all rows have alike is written behind the column before it, or, at the begin
    of a row, behind the last column of the row before.
    """
    head = ""
    varying: list[tuple[Texts, str]] = []
    for one in columns:
        if not isinstance(one, str):
            varying.append((one, ""))
        elif varying:
            texts, behind = varying[-1]
            varying[-1] = texts, behind + one
        else:
            head += one
    width = len(varying)
    woven = [""] * (rows * width)
    for at, (texts, behind) in enumerate(varying):
        woven[at::width] = texts(behind if at < width - 1 else behind + head)
    joined = "".join([head, *woven])
    return joined.removesuffix(head)


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


def _repeated_whole(values: Whole) -> Column:
    """Return what mostly is one number throughout."""
    if bool((values == values[0]).all()):
        return repr(values[0].item())
    return partial(whole_texts, values)


def _repeated(values: Real) -> Column:
    """Return what mostly is one number throughout."""
    first = values[0]
    if first != 0 and bool((values == first).all()):  # a negative zero equals the other
        return repr(first.item())
    return partial(float_texts, values)


def _raw_texts(chunk: Chunk, written: Callable[[str | None], str]) -> Column:
    """Return the texts that some readings have, each as `written` writes it."""
    none = written(None)
    if not chunk.raw:
        return none
    texts = [none] * len(chunk)
    places = np.searchsorted(chunk.columns.id, list(chunk.raw))
    for at, one in zip(places.tolist(), chunk.raw.values(), strict=True):
        texts[at] = written(one)
    return partial(_followed, texts)


def _utc_numbers(utc_ns: Whole, undated: NDArray[np.bool_]) -> Column:
    if undated.all():
        return _NULL
    if not undated.any():
        return partial(whole_texts, utc_ns)
    pairs = zip(utc_ns.tolist(), undated.tolist(), strict=True)
    return partial(_followed, [_NULL if none else repr(one) for one, none in pairs])


def _followed(texts: list[str], behind: str) -> list[str]:
    return [f"{one}{behind}" for one in texts]


def _utc_cells(utc_ns: Whole, undated: NDArray[np.bool_]) -> Column:
    """Return two cells of each time: ISO 8601 with nine decimals and `Z`, and ns."""
    if undated.all():
        return ","
    if not undated.any() and utc_ns.min() >= _TEN_DIGITS_S * NS_PER_S:
        return partial(_followed, _late_utc_cells(utc_ns))
    pairs = zip(utc_ns.tolist(), undated.tolist(), strict=True)
    cells = ["," if without else f"{utc_text(one)},{one}" for one, without in pairs]
    return partial(_followed, cells)


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


def _offsets_ppm(chunk: Chunk, run: Run) -> Real:
    with np.errstate(over="ignore", invalid="ignore"):  # written as they come
        values: Any = chunk.columns.frequency_hz * run.divider
        offsets: Any = offset_ppm(values, run.nominal_hz)
    return np.asarray(offsets, np.float64)


def _are_finite(*columns: NDArray[np.float64]) -> bool:
    return all(bool(np.isfinite(one).all()) for one in columns)


def utc_text(utc_ns: int) -> str:
    """Return ns since 1970 as ISO 8601 with nine decimals and `Z`."""
    seconds, rest = divmod(utc_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)
    return f"{moment.isoformat()}.{rest:09d}Z"
