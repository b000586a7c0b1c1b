"""Stability tables as files: one row per deviation and averaging time."""

import json
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any, Final

from benchlog.analysis.stability.estimation import StabilityRow, stabilities
from benchlog.evaluation.studies import series_of
from benchlog.exchange.arrow import arrow
from benchlog.exchange.spreadsheet_cells import comment
from benchlog.model import Run
from benchlog.store.reader import Reader

NAMES: Final = ("kind", *(field.name for field in fields(StabilityRow)))
_TEXTS: Final = ("kind", "noise")
_WHOLE: Final = ("m", "n")


def stability_rows(reader: Reader, run: Run) -> list[tuple[Any, ...]]:
    """Return rows of `NAMES` for ADEV, MDEV, TDEV and HDEV. Raises DataError."""
    return [
        (found.kind, *astuple(row))
        for found in stabilities(series_of(reader, run))
        for row in found.rows
    ]


def write_stability(reader: Reader, run: Run, format: str, path: Path) -> int:
    """Write a run's stability table as csv, jsonl or parquet; return its rows.

    Raises DataError when the run cannot give one, BenchlogError where pyarrow is
    missing.
    """
    rows = stability_rows(reader, run)
    about = {"run": run.id, "device": run.device, "simulated": run.simulated}
    if format == "parquet":
        _parquet(rows, about, path)
    elif format == "csv":
        said = {"benchlog-stability": 1, **about}
        head = "".join(comment(key, value) for key, value in said.items())
        text = head + ",".join(NAMES) + "\n" + "".join(map(_csv, rows))
        path.write_text(text, encoding="utf-8")
    else:
        lines = (json.dumps(dict(zip(NAMES, row, strict=True))) for row in rows)
        first = json.dumps({"row": "stability", **about})
        path.write_text("\n".join([first, *lines, ""]), encoding="utf-8")
    return len(rows)


def _csv(row: tuple[Any, ...]) -> str:
    cells = ("" if one is None else one for one in row)
    said = (one if isinstance(one, str) else repr(one) for one in cells)
    return ",".join(said) + "\n"


def _parquet(rows: list[tuple[Any, ...]], about: dict[str, Any], path: Path) -> None:
    pa, pq = arrow(), arrow("pyarrow.parquet")
    columns = zip(*rows, strict=True) if rows else ([] for _ in NAMES)
    types = [
        pa.string() if n in _TEXTS else pa.int64() if n in _WHOLE else pa.float64()
        for n in NAMES
    ]
    arrays = [pa.array(list(c), t) for c, t in zip(columns, types, strict=True)]
    table = pa.table(arrays, names=list(NAMES))
    metadata = {b"benchlog.stability": json.dumps(about).encode()}
    pq.write_table(table.replace_schema_metadata(metadata), path, compression="zstd")
