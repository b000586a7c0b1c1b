"""Parquet, by `import`: exports of ours with flipped bits, and with other columns.

The first octet of an input tells what the rest is: `P` a file; anything else JSON lines
of what is changed in a good file: its header, its rows or its columns.
"""

import io
import json
import random
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
from fuzz.importing import exports, importer
from fuzz.loop import Door

from benchlog.exchange.export.export_parquet import HEADER_KEY, ROWS_KEY
from benchlog.exchange.import_options import ImportOptions

ODD: Final[tuple[Any, ...]] = (
    None, True, "", "x", -1, 0, 2**63 - 1, -(2**63), 2**64, 1e308, -1.0, 5e-324, [], {},
    [None], {"a": 1}, "9" * 300, "\x1b[2J", "\u202e", float("nan"), float("inf"),
)  # fmt: skip


@contextmanager
def door() -> Iterator[Door]:
    seeds = exports(("parquet",))
    with importer("run.parquet", ImportOptions(again=True)) as enter:

        def opened(data: bytes) -> str:
            return enter(data[1:] if data.startswith(b"P") else rebuilt(data, seeds))

        def make(rng: random.Random) -> bytes:
            changes = [a_change(rng) for _ in range(rng.choice((1, 1, 2, 3)))]
            return "\n".join(map(json.dumps, changes)).encode()

        files = [b"P" + one for one in seeds]
        yield Door(name="import_parquet", enter=opened, make=make, seeds=files)


COLUMNS: Final = (
    "segment", "utc_ns", "mono_ns", "gate_s", "frequency_hz", "ambient_c", "flags",
    "raw",
)  # fmt: skip


def a_change(rng: random.Random) -> list[Any]:
    """Return a change: of a header's or row's value by its place, or of a column."""
    if rng.random() < 0.4:
        return ["column", rng.choice(COLUMNS), rng.choice(ODD)]
    return [rng.choice(("header", "rows")), rng.randrange(10**6), rng.choice(ODD)]


def rebuilt(data: bytes, seeds: list[bytes]) -> bytes:
    """Return a good file with the changes that the input tells; as far as it does."""
    file = pq.ParquetFile(io.BytesIO(seeds[len(data) % len(seeds)]))
    table, told = file.read(), dict(file.metadata.metadata)
    header = json.loads(told[HEADER_KEY])
    rows = [json.loads(one) for one in zlib.decompress(told[ROWS_KEY]).splitlines()]
    for line in data.splitlines():
        try:
            what, where, value = json.loads(line)
            if what == "column":
                at = table.schema.get_field_index(where)
                table = table.set_column(at, where, pa.array([value] * len(table)))
            else:
                spoil(header if what == "header" else rows, int(where), value)
        except (
            ValueError,
            TypeError,
            OverflowError,
            RecursionError,
            pa.ArrowException,
        ):
            continue
    told[HEADER_KEY] = json.dumps(header).encode()
    told[ROWS_KEY] = zlib.compress("\n".join(map(json.dumps, rows)).encode())
    told.pop(b"ARROW:schema", None)
    out = io.BytesIO()
    try:
        pq.write_table(table.replace_schema_metadata(told), out)
    except pa.ArrowException:  # of a kind that Parquet has no column for
        return b""
    return out.getvalue()


def spoil(document: Any, where: int, value: Any) -> None:
    """Put a value in place of one of a document's, the one that a number leads to."""
    while isinstance(document, dict | list) and document:
        names = sorted(document) if isinstance(document, dict) else range(len(document))
        where, at = divmod(where, len(names))
        name = names[at]
        if isinstance(document[name], dict | list) and document[name] and where % 4:
            document = document[name]
            continue
        document[name] = value
        return
