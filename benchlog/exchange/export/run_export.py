"""Writing a run to a file: whole or not at all, and never over another by accident."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, TextIO

from benchlog.errors import NotFoundError
from benchlog.exchange.export.export_parquet import write_parquet
from benchlog.exchange.export.export_phase import write_phase
from benchlog.exchange.export.export_text import csv_lines, jsonl_lines
from benchlog.exchange.export.exported_fields import Sent
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.store.whole_files import finished

Progress = Callable[[int, int], None]
"""Called with how much is done, and of how much."""
Lines = Callable[[Reader, Run, Sent], Iterator[str]]

FORMATS: Final[dict[str, Lines]] = {"csv": csv_lines, "jsonl": jsonl_lines}
"""Formats that are text, line by line; `parquet` is the one that is not."""
PARQUET: Final = "parquet"


def export_run(
    reader: Reader,
    run_id: int,
    format: str,
    out_path: Path,
    progress: Progress | None = None,
    *,
    overwrite: bool = False,
) -> Sent:
    """Export a run to a file; return what went out.

    The file appears under its name only when it is complete. Raises UsageError when it
    exists and may not be overwritten, NotFoundError for the format or the run,
    BenchlogError when it cannot be written.
    """
    if format != PARQUET:
        lines_of(format)
    with finished(out_path, overwrite=overwrite) as path:
        if format == PARQUET:
            return _write_parquet(reader, run_id, path, progress)
        with path.open("w", encoding="utf-8", newline="\n") as stream:
            return write_run(reader, run_id, format, stream, progress)


def export_stability(
    reader: Reader, run_id: int, format: str, out_path: Path, *, overwrite: bool = False
) -> int:
    """Export the stability table of a run; return how many rows it has.

    Raises as `export_run` does, and DataError when the run cannot give one.
    """
    if format != PARQUET:
        lines_of(format)
    with finished(out_path, overwrite=overwrite) as path:
        from benchlog.exchange.export.export_stability import (  # noqa: PLC0415 - figures, which readings do without
            write_stability,
        )

        return write_stability(reader, reader.run(run_id), format, path)


def export_phase(
    reader: Reader, run_id: int, out_path: Path, *, overwrite: bool = False
) -> int:
    """Export the phase of a run as CSV; return how many points it has.

    Raises as `export_run` does, and DataError when the run has none.
    """
    with finished(out_path, overwrite=overwrite) as path:
        return write_phase(reader, reader.run(run_id).id, path)


def _write_parquet(
    reader: Reader, run_id: int, path: Path, progress: Progress | None
) -> Sent:
    run = reader.run(run_id)
    sent = _counting(run, progress)
    write_parquet(reader, run, path, sent)
    return sent


def write_run(
    reader: Reader,
    run_id: int,
    format: str,
    stream: TextIO,
    progress: Progress | None = None,
) -> Sent:
    """Write a run to an open text stream; return what went out."""
    run = reader.run(run_id)
    sent = _counting(run, progress)
    for line in lines_of(format)(reader, run, sent):
        stream.write(line)
    return sent


def _counting(run: Run, progress: Progress | None) -> Sent:
    def done(count: int) -> None:
        if progress is not None:
            progress(count, max(run.readings, count))

    return Sent(done)


def lines_of(format: str) -> Lines:
    """Return what makes the lines of a format. Raises NotFoundError."""
    if format not in FORMATS:
        raise NotFoundError("export format", format, FORMATS)
    return FORMATS[format]
