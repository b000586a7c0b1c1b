"""The rows of a dataset: what is known of each run, each reading and each lot."""

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from benchlog.errors import DataError
from benchlog.evaluation.document import figures
from benchlog.evaluation.rack.kept_verdict import OF_A_RACK
from benchlog.evaluation.rack.one_run import Racks, found_figures
from benchlog.evaluation.run_evaluation import Evaluation, assess
from benchlog.exchange.dataset.columns import WHOSE, day_of, readings_schema, week_of
from benchlog.exchange.export.export_parquet import CHUNK
from benchlog.exchange.export.reading_chunks import chunks_of
from benchlog.model import (
    EventKind,
    Lot,
    Purpose,
    Run,
)
from benchlog.model.counting import replaced_text
from benchlog.store.reader import Reader
from benchlog.store.snapshot import dump

_MICRO: Final = 1_000


def run_row(reader: Reader, run: Run, lot: Lot | None) -> dict[str, Any]:
    """Return what is known of a run; its figures are those of its newest verdict.

    Where it lies in the dataset, and as of when that is, is not in it.
    A run without a verdict is judged for that. An import is dated by when its readings
    were made, or not at all; its purpose is that of the run it was exported from.
    """
    found = _figures(reader, run)
    timebase = found["timebase"]
    spec = _counter(run)
    began, ended = reader.made_utc_ns(run)
    return {
        "run": run.id,
        "run_uid": run.uid,
        "lot": run.lot,
        "day": day_of(run.started_utc_ns if began is None else began),
        "week": None if began is None else week_of(began),
        "purpose": run.made_for.value,
        "imported": run.purpose is Purpose.IMPORT,
        "device": run.device,
        "device_typed": run.typed_device,
        "void": run.void,
        "supplier": None if lot is None else lot.supplier,
        "lot_size": None if lot is None else lot.size,
        "kind": run.part.kind.value,
        "bench": run.bench,
        "position": run.position,
        "operator": run.operator or None,
        "software": run.software or None,
        "started": moment(began),
        "started_utc_ns": began,
        "ended": moment(ended),
        "ended_how": run.ended_how,
        "counter": spec[0],
        "counter_serial": spec[1],
        "nominal_hz": run.nominal_hz,
        "divider": run.divider,
        "simulated": run.simulated,
        "inspected": run.lot is not None and run.purpose is Purpose.INSPECT,
        "set_aside": run.set_aside,
        "damaged": run.damaged,
        "counts": run.counts,
        "does_not_count": run.why_not_counted or None,
        "held": _question(reader, run),
        "marked": run.marked,
        "planned": run.planned,
        "tolerance_ppm": _finite(run.part.limits.tolerance_ppm),
        "over_temperature": run.begun_over_temperature,
        "ambient_c": found["ambient_c"]["mean"],
        "measured_part": measured_part(run),
        "timebase": timebase["status"],
        "timebase_doubt": None if run.timebase is None else run.timebase.doubt or None,
        "timebase_offset_ppm": timebase["offset_ppm"],
        "timebase_u_ppm": timebase["u_ppm"],
        **{name: found[name] for name in _JUDGED},
        **asdict(reader.states_said(run.id)),
        **_reasons(run),
    }


def measured_part(run: Run) -> str | None:
    """Return the part that a run is said to be of, where its verdict is on another."""
    return None if run.part_id in ("", run.part.id) else run.part_id


_JUDGED: Final = (
    "readings", "gaps", "offset_ppm", "u_ppm", "limit_ppm", "conformance", "verdict",
    "jitter_ppm_rms", "gate_s", "span_s",
)  # fmt: skip


def _reasons(run: Run) -> dict[str, str]:
    """Return why a run does not count by whatever else than being void; empty: it does.

    Each by itself, since a copy of the run elsewhere may tell another state of it.
    """
    unsaid = replace(run, void=None, damaged=False, newer=None)
    gives_way = run.marked and not run.damaged and not run.newer_marked
    return {
        # of a damaged device an unfinished run counts
        "aside": replace(unsaid, damaged=True).why_not_counted,
        "unfinished": replace(unsaid, set_aside=False, held=False).why_not_counted,
        "replaced": ""
        if run.newer is None
        else replaced_text(run.newer, given_way=gives_way),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _figures(reader: Reader, run: Run) -> dict[str, Any]:
    kept = reader.verdicts(run.id)
    # of a rack's run, not one of the mean over all places
    of_a_rack = (OF_A_RACK,) if run.made_for is Purpose.QUALIFY else ()
    needed = (*_JUDGED, "timebase", *of_a_rack)
    if kept and all(name in kept[-1].figures for name in needed):
        found = dict(kept[-1].figures)
        newest = kept[-1]
        return {**found, "verdict": newest.word, "offset_ppm": newest.offset_ppm}
    found = figures(Evaluation(run=run, assessment=assess(reader, run)))
    device = Racks(reader).device_of(run)
    return found if device is None else {**found, **found_figures(device)}


def _question(reader: Reader, run: Run) -> str | None:
    """Return what is asked of its device until a person answers; None: nothing."""
    if not run.held or run.void is not None:
        return None
    told = (event for _, event in reader.events(run.id))
    return [event.text for event in told if event.kind == EventKind.HELD][-1]


def _counter(run: Run) -> tuple[str | None, str | None]:
    """Return who measured the frequency: its words and its serial number."""
    who = run.counter_identity
    return (None, None) if who is None else (who.text, who.serial or None)


def readings_of(
    pa: Any, reader: Reader, run: Run, row: Mapping[str, Any]
) -> Iterator[Any]:
    """Yield tables of `readings_schema`, chunk by chunk, of a run and its row."""
    schema = readings_schema(pa)
    base_ppm = run.timebase.offset_ppm if run.timebase is not None else 0.0
    for chunk in chunks_of(reader, run, CHUNK):
        columns, undated = chunk.columns, chunk.undated
        n = len(columns)
        raw_ppm = (columns.frequency_hz * run.divider / run.nominal_hz - 1.0) * 1e6
        stamps = pa.timestamp("us", tz="UTC")
        arrays = {
            **{name: _all(pa, row[name], n) for name in WHOSE},
            "run": pa.array(np.full(n, run.id)),
            "utc": pa.array(columns.utc_ns // _MICRO, stamps, mask=undated),
            "utc_ns": pa.array(columns.utc_ns, mask=undated),
            "mono_ns": pa.array(columns.mono_ns),
            "gate_s": pa.array(columns.gate_s),
            "frequency_hz": pa.array(columns.frequency_hz),
            "ambient_c": pa.array(columns.ambient_c, mask=np.isnan(columns.ambient_c)),
            "flags": pa.array(columns.flags),
            "offset_ppm": pa.array(raw_ppm + base_ppm + raw_ppm * base_ppm * 1e-6),
            "offset_raw_ppm": pa.array(raw_ppm),
        }
        yield pa.table(arrays, schema=schema)


def _all(pa: Any, text: str | None, n: int) -> Any:
    indices = pa.array(np.zeros(n, dtype=np.int32), mask=np.full(n, text is None))
    return pa.DictionaryArray.from_arrays(indices, pa.array([text or ""]))


def lot_rows(reader: Reader, source: str) -> list[dict[str, Any]]:
    """Return what is known of each lot by the database `source`.

    One whose part cannot be read is left out.
    """
    rows = []
    for lot in reader.lots():
        try:
            part = reader.part(lot.part_id)
        except DataError as error:
            reader.left_out[f"lot {lot.lot}"] = str(error)
            continue
        row = {
            "source": source,
            "lot": lot.lot,
            "part": lot.part_id,
            "supplier": lot.supplier,
            "size": lot.size,
            "plan": None if lot.plan is None else json.dumps(dict(lot.plan)),
            "decision": lot.decision,
            "opened_utc_ns": lot.opened_utc_ns,
            "part_body": dump(part),
        }
        rows.append(row)
    return rows


def moment(utc_ns: int | None) -> datetime | None:
    """Return ns since 1970 to the microsecond; None stays None."""
    if utc_ns is None:
        return None
    whole, rest = divmod(utc_ns // _MICRO, 1_000_000)
    return datetime.fromtimestamp(whole, UTC).replace(microsecond=rest)
