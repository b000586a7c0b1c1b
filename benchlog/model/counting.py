"""Whether a run counts, and if not why: decided here, for everybody who asks.

The view `runs_named` of the database has the same rule in SQL, for other tools; a test
holds the two against each other.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from benchlog.model.kinds import Purpose

DOES_NOT_COUNT: Final = "does not count"
"""The words for it, wherever a person reads of it."""
NOT_ENDED: Final = "not ended"
LEFT_OPEN: Final = f"{NOT_ENDED}: broken off"
"""Not ended, and nobody keeps it: told by whoever can ask for the keeper."""
HELD: Final = "held until somebody answers"
TAKEN_BACK: Final = "taken back"
MEASURED_AGAIN: Final = "measured again"
MARKED: Final = "marked"
"""Something was done to the device meanwhile: it was warmed, its supply was moved."""
NOT_JUDGED: Final = "not judged"
BROKEN_OFF: Final = (
    "interrupted",
    "terminal closed",
    "broken off",
    "left",
    "no readings came",
)
"""Ends that leave a plan unfinished; a person who stops a run has made up his mind."""
BEST_FOUND: Final = "best code found"
"""How a trim ends that has found its code; one that ends otherwise tells of no code."""
NO_CODE: Final = "no best code found"
_UNREAD: Final = "import stopped"
_ENDED_AS_MEANT: Final = (
    "verdict clear",
    "readings reached",
    "time reached",
    BEST_FOUND,
    "file read",
    "stopped",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """All that decides whether a run counts.

    Parameters
    ----------
    void : str | None
        Why a person declared it void, if so.
    set_aside, damaged : bool
        Whether such an event is in the run.
    ended_how : str | None
        None while it has not ended.
    purpose : Purpose
        What it was for.
    planned : bool
        Whether it was begun with an end: readings, a time, a clear verdict. A trim has
        an end of its own, the best code.
    judged : bool
        Whether a verdict is kept with it.
    held : bool
        Whether a question about its device waits for an answer; it is set aside then.
    marked : bool
        Whether a person marked a moment of it: warming, another supply, anything.
    newer : int | None
        The run of the same device and purpose in its lot that counts in its place;
        of a marked run it may be an earlier one, without a mark.

    """

    void: str | None
    set_aside: bool
    damaged: bool
    ended_how: str | None
    purpose: Purpose
    planned: bool
    judged: bool
    held: bool = False
    marked: bool = False
    newer: int | None = None
    newer_marked: bool = False

    @property
    def is_disturbed(self) -> bool:
        """Whether its readings give way to those of a run without a mark.

        A damaged device has failed, whatever was marked.
        """
        return self.marked and not self.damaged


def why_not_counted(state: RunState) -> str:
    """Return why a run does not count; empty where it counts."""
    own = _own_reason(state)
    if not own and state.newer is not None:
        return replaced_text(
            state.newer, given_way=state.is_disturbed and not state.newer_marked
        )
    return own


def replaced_text(newer: int, *, given_way: bool) -> str:
    """Return why a run does not count whose place another one has taken.

    `given_way` is whether that is for its marks, and not for its age.
    """
    if given_way:
        return f"{MARKED}: run {newer}, without a mark, counts"
    return f"{MEASURED_AGAIN} in run {newer}"


def does_not_count_text(why: str) -> str:
    """Return the words that take the place of a verdict; empty where a run counts."""
    return f"{DOES_NOT_COUNT}: {why}" if why else ""


def _own_reason(state: RunState) -> str:
    """Return the reason that lies in the run itself, before others are looked at."""
    how = state.ended_how
    if state.void is not None:
        return f"void ({state.void})" if state.void else "void"
    if how == MEASURED_AGAIN:
        return MEASURED_AGAIN
    if state.held:
        return HELD
    if state.set_aside:
        return TAKEN_BACK if how is None or how in _ENDED_AS_MEANT else how
    # a damaged device is a failed one, however its run went
    return "" if state.damaged else _unfinished(state)


def _unfinished(state: RunState) -> str:
    how = state.ended_how
    if how is None:
        return NOT_ENDED
    is_check = state.purpose is Purpose.REFCHECK  # what it tells, its finding decides
    if how == _UNREAD or (state.planned and how in BROKEN_OFF and not is_check):
        return how
    if state.purpose is Purpose.TRIM and how != BEST_FOUND:
        return f"{how}: {NO_CODE}"
    is_unjudged = state.purpose is Purpose.INSPECT and not state.judged
    return NOT_JUDGED if is_unjudged else ""


# --- which of several runs of a device in a lot counts

REPLACING: Final = (Purpose.MEASURE, Purpose.INSPECT)
"""Purposes whose newest run of a device in a lot takes the place of the others.

Newest without a mark, where there is one: readings of a stretch that was warmed, or ran
at another supply, tell what that did, and not how devices differ.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRun:
    """A run of a device in a lot; `state` leaves open whether a newer one counts."""

    run: int
    started_utc_ns: int
    part: str
    lot: str
    device: str
    state: RunState


def replaced_by(runs: Iterable[DeviceRun]) -> dict[int, DeviceRun]:
    """Return by run the one that counts in its place, of all runs of a lot."""
    best: dict[tuple[str, str, str, Purpose], DeviceRun] = {}
    kept = []
    for one in sorted(runs, key=_rank):
        if one.state.purpose in REPLACING:
            kept.append(one)
            if not why_not_counted(one.state):
                best[_place(one)] = one
    found = {}
    for one in kept:
        last = best.get(_place(one))
        if last is not None and _rank(last) > _rank(one):
            found[one.run] = last
    return found


def _place(one: DeviceRun) -> tuple[str, str, str, Purpose]:
    return one.part, one.lot, one.device, one.state.purpose


def _rank(one: DeviceRun) -> tuple[bool, int, int]:
    return not one.state.is_disturbed, one.started_utc_ns, one.run
