"""The list of runs as rows of text: which columns fit, what stands in them. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from rich.cells import cell_len

from benchlog.evaluation.brief_wording import UNKNOWN
from benchlog.model import DOES_NOT_COUNT, Run
from benchlog.screen.event_text import local_date
from benchlog.screen.figures import (
    not_counted,
    run_verdict,
)
from benchlog.units import (
    counted,
    format_ppm,
    format_u_ppm,
    printable,
    signed_digits,
    three_digits,
)

MIDDLING: Final = 74
WIDE: Final = 112


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, its cells (a gap of one included), what stands in it."""

    head: str
    cells: int
    said: Callable[[Run], str]


def columns_for(width: int, runs: Sequence[Run] = ()) -> list[Column]:
    """Return the columns that `width` cells have room for; the rest is said below.

    No column is wider than what stands in it; device and part share what the others
    leave, the device first, and how a run ended takes what is left over.
    """
    number = _number_column(runs)
    if width < MIDDLING:
        offset = _offset_column("ppm", _OFFSET_CELLS, runs, with_u=False)
        fixed = [number, _DAY, offset, _STANDING]
        return [*fixed[:2], _device(width - _sum(fixed)), *fixed[2:]]
    offset = _offset_column("offset ± U, ppm", _OFFSET_U_CELLS, runs, with_u=True)
    fixed = [number, _DAY, offset, _STANDING]
    if width >= WIDE:
        fixed = [number, _DATE, _READINGS, offset, _VERDICT, _ENDED]
    left = width - _sum(fixed)
    device, part = _shared(left, runs)
    if width >= WIDE:
        fixed[-1] = replace(_ENDED, cells=_ENDED.cells + left - device - part)
    return [*fixed[:2], _device(device), _part(part), *fixed[2:]]


def _number_column(runs: Sequence[Run]) -> Column:
    """Return the column of numbers, with room for a mark before each."""
    longest = max((len(_number(run)) for run in runs), default=_RUN_CELLS)
    return replace(_RUN, cells=min(_RUN_CELLS, max(_FEWEST, longest + 3)))


def _offset_column(
    head: str, cells: int, runs: Sequence[Run], *, with_u: bool
) -> Column:
    """Return the column of offsets, those of all runs standing under one another."""

    def parts(run: Run) -> tuple[str, str]:
        offset, sign, u = _fitted_offset(run, cells - 1, with_u=with_u).partition(" ±")
        return offset, sign + u

    room = max((len(parts(run)[0]) for run in runs), default=0)

    def said(run: Run) -> str:
        offset, u = parts(run)
        return offset.rjust(min(room, cells - 1 - len(u))) + u

    return Column(head, cells, said)


def _shared(left: int, runs: Sequence[Run]) -> tuple[int, int]:
    """Return the cells of device and part out of those that are left."""
    if not runs:
        return left - left // 2, left // 2
    device = _GAP + max(cell_len(printable(run.device)) for run in runs)
    part = _GAP + max(cell_len(printable(run.part.id)) for run in runs)
    device, part = max(device, _FEWEST), max(part, _FEWEST)
    if device + part > left:
        device = min(device, max(left * 2 // 3, left - part))
        part = left - device
    return device, part


def ended_words(run: Run) -> str:
    """Say how a run ended; `not closed` until it is known whether anybody keeps it."""
    return run.ended_how or ("not closed" if run.open else UNKNOWN)


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
        counted(run.readings, "reading"),
    ]
    third = [not_counted(run) or run_verdict(run), ended_words(run), run.note]
    if run.offset_ppm is not None:
        third.insert(bool(not_counted(run)), f"{_offset(run, with_u=True)} ppm")
    lines = (
        " · ".join(said for said in line if said) for line in (first, second, third)
    )
    return "\n".join(printable(line) for line in lines)


def found_by(run: Run) -> str:
    """Return the text in which typed words are looked for."""
    said = (run.device, run.part.title, run.operator, whole_words(run))
    verdict = "" if not_counted(run) else run.verdict or ""
    return " ".join((*said, verdict)).casefold()


def _sum(columns: list[Column]) -> int:
    return sum(column.cells for column in columns)


def _offset(run: Run, *, with_u: bool) -> str:
    text = format_ppm(run.offset_ppm, run.u_ppm)
    if not with_u or run.u_ppm is None:
        return text
    return f"{text} ± {format_u_ppm(run.u_ppm)}"


def _fitted_offset(run: Run, cells: int, *, with_u: bool) -> str:
    """Return the offset in at most `cells` cells: rounded where need be, never cut."""
    ppm = run.offset_ppm
    whole = _offset(run, with_u=with_u)
    if ppm is None or len(whole) <= cells:
        return whole
    shorter = [_offset(run, with_u=False)]
    shorter += [f"{ppm:+,.{digits}f}" for digits in (3, 2, 1, 0)]
    return next(
        (text for text in shorter if len(text) <= cells),
        signed_digits(ppm, powers=True),
    )


def _standing(run: Run) -> str:
    """Return the verdict; of a run that is not over only how it stands."""
    if not_counted(run):
        return DOES_NOT_COUNT
    if run.open:
        return ended_words(run).split(":")[0]
    return run_verdict(run) or UNKNOWN


def _number(run: Run) -> str:
    said = f"{run.id} sim"
    return said if run.simulated and len(said) < _RUN_CELLS else str(run.id)


def _count(run: Run) -> str:
    said = f"{run.readings:,}"
    return (
        said if len(said) < _COUNT_CELLS else three_digits(run.readings, powers=True)
    ).rjust(8)


def _device(cells: int) -> Column:
    return Column("device", cells, lambda run: run.device)


def _part(cells: int) -> Column:
    return Column("part", cells, lambda run: run.part.id)


_RUN_CELLS: Final = 10
_COUNT_CELLS: Final = 9
_OFFSET_CELLS: Final = 12
_OFFSET_U_CELLS: Final = 20
_FEWEST: Final = 7
_GAP: Final = 2
_RUN: Final = Column("run", _RUN_CELLS, _number)
_DAY: Final = Column("begun", 6, lambda r: local_date(r.started_utc_ns)[5:10])
_DATE: Final = Column("begun", 17, lambda r: local_date(r.started_utc_ns))
_READINGS: Final = Column("readings", _COUNT_CELLS, _count)
_VERDICT_CELLS: Final = 16
_VERDICT: Final = Column("verdict", _VERDICT_CELLS, lambda r: run_verdict(r) or UNKNOWN)
_ENDED: Final = Column("ended", 17, ended_words)
_STANDING: Final = Column("verdict", _VERDICT_CELLS, _standing)
