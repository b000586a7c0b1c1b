"""The list of runs as rows of text: which columns fit, what stands in them. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.model import Run
from benchlog.screen.figures import UNKNOWN, verdict_text
from benchlog.screen.happenings import local_date
from benchlog.units import format_ppm, format_u_ppm, printable

MIDDLING: Final = 74
WIDE: Final = 112


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, its cells (a gap of one included), what stands in it."""

    head: str
    cells: int
    said: Callable[[Run], str]


def columns_for(width: int) -> list[Column]:
    """Return the columns that `width` cells have room for; the rest is said below."""
    if width < MIDDLING:
        fixed = [_RUN, _SHORT_DATE, _OFFSET, _VERDICT]
        return [_RUN, _SHORT_DATE, _device(width - _sum(fixed)), _OFFSET, _VERDICT]
    if width < WIDE:
        fixed = [_RUN, _SHORT_DATE, _READINGS, _OFFSET, _VERDICT]
        left = width - _sum(fixed)
        device, part = _device(left - left // 2), _part(left // 2)
        return [_RUN, _SHORT_DATE, device, part, *fixed[2:]]
    fixed = [_RUN, _DATE, _READINGS, _OFFSET_U, _VERDICT, _ENDED]
    left = width - _sum(fixed)
    part_cells = min(26, left // 2)
    device, part = _device(left - part_cells), _part(part_cells)
    return [_RUN, _DATE, device, part, *fixed[2:]]


def ended_words(run: Run) -> str:
    """Say how a run ended; `not closed` is one that runs, or lost its keeper."""
    return "not closed" if run.open else run.ended_how or UNKNOWN


def whole_words(run: Run) -> str:
    """Return in full what the columns may have had no room for; three lines."""
    first = [f"device {run.device}", run.part.id, f"position {run.position}"]
    if run.lot:
        first.insert(1, f"lot {run.lot}")
    if run.simulated:
        first.insert(0, "SIMULATED")
    second = [
        f"run {run.id}, {run.purpose}",
        f"begun {local_date(run.started_utc_ns)}",
        f"{run.readings:,} readings",
    ]
    third = [verdict_text(run.verdict), ended_words(run), run.note]
    if run.offset_ppm is not None:
        third.insert(0, f"{_offset(run, with_u=True)} ppm")
    lines = (
        " · ".join(said for said in line if said) for line in (first, second, third)
    )
    return "\n".join(printable(line) for line in lines)


def found_by(run: Run) -> str:
    """Return the text in which typed words are looked for."""
    said = (run.device, run.part.title, run.operator, whole_words(run))
    return " ".join((*said, run.verdict or "")).casefold()


def _sum(columns: list[Column]) -> int:
    return sum(column.cells for column in columns)


def _offset(run: Run, *, with_u: bool) -> str:
    text = format_ppm(run.offset_ppm, run.u_ppm)
    if not with_u or run.u_ppm is None:
        return text
    return f"{text} ± {format_u_ppm(run.u_ppm)}"


def _number(run: Run) -> str:
    return f"{run.id} sim" if run.simulated else str(run.id)


def _device(cells: int) -> Column:
    return Column("device", cells, lambda run: run.device)


def _part(cells: int) -> Column:
    return Column("part", cells, lambda run: run.part.id)


_RUN: Final = Column("run", 9, _number)
_SHORT_DATE: Final = Column("begun", 12, lambda r: local_date(r.started_utc_ns)[5:])
_DATE: Final = Column("begun", 17, lambda r: local_date(r.started_utc_ns))
_READINGS: Final = Column("readings", 9, lambda r: f"{r.readings:,}".rjust(8))
_OFFSET: Final = Column("ppm", 12, lambda r: _offset(r, with_u=False))
_OFFSET_U: Final = Column("offset ± U, ppm", 20, lambda r: _offset(r, with_u=True))
_VERDICT: Final = Column("verdict", 12, lambda r: verdict_text(r.verdict) or UNKNOWN)
_ENDED: Final = Column("ended", 17, ended_words)
