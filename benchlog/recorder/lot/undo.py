"""What a person did last in a lot, and what takes it back; pure.

Nothing is deleted: a deed and its undoing are events of the run, and the newest of them
tells whether the run counts. What can be undone is therefore found in the runs.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.model import Event, EventKind, LotRun
from benchlog.model.counting import BEST_FOUND

_ASIDE: Final = (EventKind.SET_ASIDE, EventKind.HELD, EventKind.RESTORED)
_DAMAGED: Final = (EventKind.DAMAGED, EventKind.UNDAMAGED)
_COMPLETE: Final = ("verdict clear", "readings reached", "time reached", BEST_FOUND)
_CUT_SHORT: Final = ("stopped", "skipped", "taken out")
"""How a run ends that a person ended by the deed itself."""
_UNDONE: Final = "undone: "
"""Begins the text of what an undoing sets aside: that is no deed to be undone."""
OVERTAKEN: Final = "the clock was set back: "
"""Begins the text of what a keeper sets aside for that: no person did it, either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """A deed in a run and what takes it back.

    `event` is its row; `writes` are the events to be written; `then` says what is so
    afterwards; `why_not` why it cannot be undone, if so. `ends` says that a run that is
    still open ends with that.
    """

    run: int
    device: str
    event: int
    writes: tuple[tuple[EventKind, str], ...] = ()
    then: str = ""
    why_not: str = ""
    ends: bool = False


def newest_act(
    runs: Iterable[tuple[LotRun, Sequence[tuple[int, Event]]]],
) -> Act | None:
    """Return the newest deed of a person that is not undone; None when there is none.

    `runs` are the runs of a lot, each with its events and their rows.
    """
    acts = [act for run, events in runs for act in _acts(run, events)]
    return max(acts, key=lambda act: act.event, default=None)


def _acts(run: LotRun, events: Sequence[tuple[int, Event]]) -> list[Act]:
    found = [_aside(run, events), _damaged(run, events), _again(run, events)]
    return [act for act in found if act is not None]


def _aside(run: LotRun, events: Sequence[tuple[int, Event]]) -> Act | None:
    """Return that it was taken back, skipped, or said to be meant."""
    own = [(row, event) for row, event in events if event.kind in _ASIDE]
    if not own:
        return None
    row, last = _row_of_last(own), own[-1][1]
    held = next((e for _, e in reversed(own[:-1]) if e.kind != last.kind), None)
    asked = held is not None and held.kind == EventKind.HELD
    again = ((EventKind.HELD, held.text if held is not None else ""),)
    if last.kind == EventKind.RESTORED and asked:
        return _act(run, row, again, "is asked about again")
    if last.kind != EventKind.SET_ASIDE or last.text.startswith((_UNDONE, OVERTAKEN)):
        return None
    if run.ended_how in _CUT_SHORT:
        why_not = "was stopped before its verdict was clear"
        return Act(run=run.run, device=run.device, event=row, why_not=why_not)
    if run.ended_how not in _COMPLETE:
        return None  # the keeper set it aside
    if not asked:
        again = ((EventKind.RESTORED, "undone: it counts"),)
    return _act(run, row, again, "is asked about again" if asked else "counts again")


def _damaged(run: LotRun, events: Sequence[tuple[int, Event]]) -> Act | None:
    own = [(row, event) for row, event in events if event.kind in _DAMAGED]
    if not own or own[-1][1].kind != EventKind.DAMAGED:
        return None
    row = _row_of_last(own)
    writes = [(EventKind.UNDAMAGED, "undone: the device is not damaged")]
    if run.ended_how in _COMPLETE:
        return _act(run, row, tuple(writes), "is not damaged, its verdict counts")
    writes.append((EventKind.SET_ASIDE, f"{_UNDONE}it was stopped, measure it again"))
    return _act(run, row, tuple(writes), "is not damaged: F2 measures it again")


def _row_of_last(own: Sequence[tuple[int, Event]]) -> int:
    """Return where the newest event was first written: a merge may have repeated it."""
    return next(row for row, event in own if event == own[-1][1])


def _again(run: LotRun, events: Sequence[tuple[int, Event]]) -> Act | None:
    rows = [row for row, event in events if event.kind == EventKind.AGAIN]
    if not rows or run.set_aside:
        return None
    writes = ((EventKind.SET_ASIDE, f"{_UNDONE}the run before counts"),)
    return _act(run, rows[-1], writes, "is as it was before", ends=True)


def _act(
    run: LotRun,
    row: int,
    writes: tuple[tuple[EventKind, str], ...],
    then: str,
    *,
    ends: bool = False,
) -> Act:
    return Act(
        run=run.run, device=run.device, event=row, writes=writes, then=then, ends=ends
    )
