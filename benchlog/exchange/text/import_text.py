"""Importing a text file that some other program wrote."""

import math
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Final

from benchlog.errors import DataError, UsageError
from benchlog.exchange.file_limits import FileLimits, beyond
from benchlog.exchange.import_options import ColumnMeaning, ImportOptions
from benchlog.exchange.import_rows import ImportedRun
from benchlog.exchange.text.layout import Layout, guess
from benchlog.exchange.text.line_reader import LineReader
from benchlog.exchange.text.row_readings import Made, gate_of
from benchlog.exchange.text.separators import columns_at_least, is_comment
from benchlog.exchange.text.text_rows import LineProblem
from benchlog.exchange.text_lines import Block, Line, first_lines
from benchlog.exchange.unpacking import plain_name
from benchlog.model import (
    DEVICE_ID_CHARACTERS,
    Bench,
    EventKind,
    Kind,
    Limits,
    Part,
    Purpose,
    Reading,
    RunPlan,
    Timebase,
)
from benchlog.store.reading_block import ReadingBlock
from benchlog.store.rows import Segment
from benchlog.units import as_stated, format_frequency, printable

_HEAD_LINES: Final = 200
_KEPT_HEAD: Final = 4_000
_LIMIT_PPM: Final = 1.0
_SAME: Final = 1e-9


def import_foreign(
    path: Path,
    blocks: Iterator[Block],
    intake: ImportedRun,
    options: ImportOptions,
) -> tuple[int, tuple[str, ...]]:
    """Import a file's lines; return the run and how the file was understood.

    Raises DataError when there is no reading in it, UsageError for the options.
    """
    wanted = options.wanted()
    plan = _plan(path, wanted, options)
    head, rest = first_lines(blocks, _HEAD_LINES)
    layout = _layout(path, head, wanted, options.limits)
    preamble, data = _cut(head, layout.start)
    notes = (*layout.said, *_assumed(layout, wanted))
    reader = LineReader(layout, wanted, options.limits)
    found = reader.made_of(data, rest)
    begun, reading = _first_reading(path, found, intake)
    timebase = options.timebase or _unknown_timebase()
    origin = {"file": path.name, "read": list(notes)}
    with intake.run(plan, {}, timebase, origin=origin) as run_id:
        segment_id = intake.segment(run_id, _segment_of(reading, intake))
        intake.note(run_id, segment_id, _told(path, notes, preamble))
        for one in chain(begun, found):
            if isinstance(one, LineProblem):
                intake.reject(one)
            elif isinstance(one, ReadingBlock):
                intake.add_block(run_id, segment_id, one)
            else:
                intake.add_row((run_id, segment_id, one))
        intake.note_problems(run_id, segment_id)
    return run_id, notes


def _layout(
    path: Path, head: list[Line], wanted: ColumnMeaning, limits: FileLimits
) -> Layout:
    texts = [
        text
        for _, text in head
        if not is_comment(text) and len(text) <= limits.characters
    ]
    if any(columns_at_least(text) > limits.columns for text in texts):
        raise beyond(path, f"has more than {limits.columns:,} columns", "columns")
    comment = ""
    for _, text in head:
        if not is_comment(text):
            break
        comment = text if text.strip() else comment
    layout = guess(texts, comment, wanted) if texts else None
    if layout is None:
        shown = printable((texts or [head[0][1]])[0][:60])
        column = "" if wanted.column is None else f" in column {wanted.column}"
        raise DataError(
            f"{path}: no numbers found{column} in its first {len(head)} lines, which "
            f"begin {shown!r}; is it text or CSV, and is --column right?"
        )
    return layout


def _cut(head: list[Line], start: int) -> tuple[list[Line], list[Line]]:
    """Return what stands before the data, and the data, of the first lines."""
    seen = 0
    for at, (_, text) in enumerate(head):
        if is_comment(text):
            continue
        if seen == start:
            return head[:at], head[at:]
        seen += 1
    return head, []


def _assumed(layout: Layout, wanted: ColumnMeaning) -> Iterator[str]:
    _, assumption = gate_of(layout, wanted)
    if assumption:
        yield assumption
    if layout.zone_assumed:
        yield "time stamps without a zone taken as UTC"
    if layout.looks_scaled:
        yield (
            f"the numbers are near {as_stated(layout.looks_scaled)} times nominal: "
            "check --nominal-hz, --unit and --column"
        )


def _first_reading(
    path: Path, found: Iterator[Made | ReadingBlock], intake: ImportedRun
) -> tuple[list[Made | ReadingBlock], Reading]:
    """Return the first reading, and all that is to be stored up to it."""
    begun: list[Made | ReadingBlock] = []
    for one in found:
        if isinstance(one, LineProblem):
            intake.reject(one)
            continue
        begun.append(one)
        if isinstance(one, Reading):
            return begun, one
        if isinstance(one, ReadingBlock):
            return begun, one.part(0, 1).readings()[0]
    shown = "; ".join(str(one) for one in intake.problems[:3])
    raise DataError(
        f"{path}: no reading in it; {intake.rejected} lines were not understood"
        + (f" ({shown})" if shown else "")
    )


def _plan(path: Path, wanted: ColumnMeaning, options: ImportOptions) -> RunPlan:
    part = options.part or _unknown_part(wanted.nominal_hz)
    if abs(part.nominal_hz - wanted.nominal_hz) > _SAME * wanted.nominal_hz:
        raise UsageError(
            f"part {part.id} is nominally {format_frequency(part.nominal_hz)}, not "
            f"{format_frequency(wanted.nominal_hz)}; leave one of the two out"
        )
    return RunPlan(
        purpose=Purpose.IMPORT,
        device=options.device
        or printable(Path(plain_name(path)).stem)[:DEVICE_ID_CHARACTERS]
        or "imported",
        part=part,
        position="file",
        bench=Bench(name="import", instruments={}, positions=()),
        lot=options.lot,
        operator=options.operator,
        note=options.note,
        software=options.software,
    )


def _unknown_part(nominal_hz: float) -> Part:
    return Part(
        id=f"unknown-{nominal_hz:.15g}-hz",
        title=f"unknown part, {format_frequency(nominal_hz)}",
        kind=Kind.OTHER,
        nominal_hz=nominal_hz,
        limits=Limits(tolerance_ppm=math.inf),
        notes="imported without a part: nothing is promised",
    )


def _unknown_timebase() -> Timebase:
    return Timebase(
        status="assumed",
        offset_ppm=0.0,
        u_ppm=_LIMIT_PPM / math.sqrt(3),
        text="imported: nothing is known of the time base, +-1 ppm assumed",
    )


def _segment_of(reading: Reading, intake: ImportedRun) -> Segment:
    now = intake.event(EventKind.NOTE, "").utc_ns
    utc_ns = now if reading.utc_ns is None else reading.utc_ns
    return Segment(0, utc_ns, reading.mono_ns)


def _told(path: Path, notes: tuple[str, ...], preamble: list[Line]) -> str:
    told = f"imported from {path.name}: {'; '.join(notes)}"
    before = "\n".join(text for _, text in preamble)[:_KEPT_HEAD]
    return f"{told}\n{before}" if before else told
