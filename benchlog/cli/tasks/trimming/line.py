"""Carrying a line of chips out: in lines from a list of ids, or on a lot's screen."""

from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import click

from benchlog.cli.printing import in_terminal, print_json, print_text, say
from benchlog.cli.tasks.inspecting import ids_from, in_lines, inspect_on_screen
from benchlog.cli.tasks.trimming.line_opening import (
    LineWish,
    known_line,
    tell_burning,
    trim_task,
)
from benchlog.cli.tasks.trimming.line_text import codes_csv, line_text
from benchlog.clock import host_clock
from benchlog.errors import UsageError
from benchlog.evaluation.lots import named_lot
from benchlog.evaluation.trimmed_lot import (
    TrimmedLot,
    trimmed_document,
    trimmed_lot,
)
from benchlog.model import Decision, Lot
from benchlog.recorder.lot.lot_book import TrimTask
from benchlog.store.reader import Reader
from benchlog.store.whole_files import check_place, finished
from benchlog.store.writer import Writer
from benchlog.units import counted

__all__ = ["LineManner", "LineWish", "trim_line"]
_ALL_IN, _SOME_FAILED, _OPEN = 0, 3, 4
"""Exit codes: as of `inspect`, of the worst device."""
_AGREED: Final = "burn the code of each device, for good?"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineManner:
    """How it is carried out and told; `out` is a file for the programmer."""

    as_json: bool = False
    no_screen: bool = False
    bell: bool = False
    result: bool = False
    as_csv: bool = False
    out: Path | None = None
    overwrite: bool = False
    yes: bool = False


def trim_line(wish: LineWish, database: Path, manner: LineManner) -> int:
    """Trim the devices of a lot, tell how it stands, return the exit code."""
    if manner.result or manner.as_csv or manner.out is not None:
        return _report(database, known_line(database, wish), manner)
    listed = wish.ids is not None
    shown = not (manner.as_json or manner.no_screen or listed) and in_terminal()
    if not shown and not listed and wish.auto_ids is None:
        raise UsageError(
            "without a screen ids come from --ids FILE, from standard input with "
            "--ids -, or the devices are numbered with --auto-ids PREFIX"
        )
    if listed and wish.auto_ids is not None:
        raise UsageError("give --ids or --auto-ids: a device has one id")
    task = trim_task(wish, database)
    if wish.burn:
        _agree(task, manner)
    with closing(Writer.open(database, host_clock())) as writer:
        writer.know_lot(task.lot.lot, task.templates[0].part)
    if shown:
        inspect_on_screen(replace(task, watched=True), database, bell=manner.bell)
    else:
        ids = ids_from(wish.ids) if listed and wish.ids is not None else None
        in_lines(task, database, ids)
    return _report(database, task.lot, manner)


def _agree(task: TrimTask, manner: LineManner) -> None:
    """Have somebody agree, once, that codes are burned. Raises UsageError."""
    tell_burning(task)
    if manner.yes:
        return
    if not in_terminal():
        raise UsageError(
            "a code is burned for good: where nobody can be asked, --burn takes --yes"
        )
    if not click.confirm(_AGREED, err=True):
        raise UsageError("nothing was opened and nothing is burned")


def _report(database: Path, lot: Lot, manner: LineManner) -> int:
    if manner.out is not None:
        check_place(manner.out, overwrite=manner.overwrite)
    with closing(Reader.open(database)) as reader:
        kept = named_lot(reader, lot.lot, lot.part_id) or lot
        found = trimmed_lot(reader, kept)
    if manner.as_csv or manner.out is not None:
        _write_codes(found, manner)
    elif manner.as_json:
        print_json(trimmed_document(found), "trimmed-lot")
    else:
        print_text(line_text(found))
    return _exit_code(found)


def _write_codes(found: TrimmedLot, manner: LineManner) -> None:
    """Hand the codes to the programmer; those that are left out are told."""
    text = codes_csv(found)
    if manner.out is None:
        click.echo(text, nl=False)
    else:
        with finished(manner.out, overwrite=manner.overwrite) as part:
            part.write_text(text, encoding="utf-8")
        many = counted(len(found.brought_in), "device")
        say(f"the codes of {many} written to {manner.out}")
    if found.not_brought_in:
        many = counted(len(found.not_brought_in), "device")
        say(f"{many} left out, not brought in: `--result` tells why")


def _exit_code(found: TrimmedLot) -> int:
    words = [chip.result.word for chip in found.chips]
    if Decision.FAIL in words:
        return _SOME_FAILED
    return _OPEN if found.not_brought_in or not found.chips else _ALL_IN
