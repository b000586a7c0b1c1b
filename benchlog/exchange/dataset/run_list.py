"""The runs of a dataset as a list: the newest first, narrowed as a database's are."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.read import runs_once, sound_rows
from benchlog.units import iso_utc

NOT_COUNTED: Final = "does-not-count"
_COLUMNS: Final = (
    "run", "run_uid", "source", "purpose", "device", "lot", "position", "bench",
    "nominal_hz", "operator", "simulated", "void", "device_typed", "started_utc_ns",
    "ended_how", "readings", "offset_ppm", "u_ppm", "verdict", "counts",
    "does_not_count", "damaged", "timebase_doubt", "imported",
)  # fmt: skip
_NARROWED: Final = ("device", "part", "lot")
_SEARCHED: Final = ("device", "device_typed", "part", "lot", "bench", "operator")


def runs_of_dataset(
    address: str | Path | Folder, wish: Mapping[str, Any], left_out: dict[str, str]
) -> Iterator[dict[str, Any]]:
    """Yield the runs that all of `wish` fits as plain values, the newest first.

    `wish` has `device`, `part`, `lot`, `like`, `verdict` and `since` (UTC ns), None for
    any. Runs without a time come last. The keys are those of `runs --json`, where a
    dataset has them. A run that cannot be read is noted in `left_out`, and why. Raises
    DataError when the folder is no dataset.
    """
    compute = arrow("pyarrow.compute")
    table = runs_once(address, _COLUMNS)
    for name in _NARROWED:
        if wish[name] is not None:
            table = table.filter(compute.field(name) == wish[name])
    if wish["since"] is not None:
        table = table.filter(compute.field("started_utc_ns") >= wish["since"])
    order = [("started_utc_ns", "descending"), ("run_uid", "ascending")]
    for batch in table.sort_by(order).to_batches(max_chunksize=1_000):
        for row in sound_rows(batch.to_pylist(), left_out):
            found = _document(row)
            if _fits(row, found, wish):
                yield found


def _fits(row: dict[str, Any], found: dict[str, Any], wish: Mapping[str, Any]) -> bool:
    like, verdict = wish["like"], wish["verdict"]
    if like is not None:
        texts = "\n".join(row[name] or "" for name in _SEARCHED)
        if like.lower() not in texts.lower():
            return False
    kind = found["verdict"] if found["counts"] else NOT_COUNTED
    return verdict in (None, kind)


def _document(row: dict[str, Any]) -> dict[str, Any]:
    judged = None if row["purpose"] == "refcheck" else row["verdict"]
    began = row.pop("started_utc_ns")
    doubt = row.pop("timebase_doubt")
    return {
        **row,
        "started": None if began is None else iso_utc(began),
        "verdict": "fail" if row["damaged"] and judged is not None else judged,
        "doubt": doubt,
    }
