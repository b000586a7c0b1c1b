"""How a run stands at one moment: all that a screen needs to say something about it."""

from dataclasses import dataclass
from typing import Final

from benchlog.model import Event, EventKind, Run
from benchlog.verdict import Assessment

_TROUBLE: Final = {
    EventKind.LOST: "the instrument is lost; trying to reach it again",
    EventKind.SILENT: "the instrument is silent; trying again",
    EventKind.HUNG: "the instrument hangs; starting it anew",
    EventKind.CRASHED: "the instrument's process crashed; starting it anew",
    EventKind.LEAKED: "the instrument's process took too much memory; starting it anew",
    EventKind.FLOODED: "the instrument's process said too much; starting it anew",
    EventKind.WRONG_INSTRUMENT: "another instrument answers; waiting for the right one",
    EventKind.IN_USE: "another program's run uses the instrument; waiting for it",
    EventKind.REFERENCE_LOST: "the reference is lost; waiting for it to come back",
    EventKind.NO_SIGNAL: "no signal at the counter's input",
    EventKind.OVERLOAD: "the counter's input is overloaded",
    EventKind.STORE_WAIT: "database busy; readings wait in memory",
}
GONE: Final = "broken off: its keeper is gone"
_OVER: Final = {EventKind.BACK, EventKind.STORE_BACK}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperStatus:
    """What was last heard of the keeper.

    `state` is `unknown` (not asked yet), `here`, or `gone` while the run is not closed.
    `open_runs` are ids and what is being done, `begun` all that it began, in order.
    `now` is what all devices of a rack are at.
    """

    state: str = "unknown"
    paused: bool = False
    keeps_going: bool = False
    rows_waiting: int = 0
    open_runs: tuple[tuple[int, str], ...] = ()
    begun: tuple[int, ...] = ()
    now: str = ""

    def doing(self, run_id: int) -> str:
        """Return `measuring` or `paused`, for a run of this keeper that is open."""
        return dict(self.open_runs).get(run_id, "measuring")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStatus:
    """One run at one moment.

    `assessment` is None until the readings have been gone through; `loaded` is the
    share (0 to 1) that has been. `elapsed_s` is bench time since the run began.
    `trouble` is the last event that something is amiss, None when all is well.
    """

    run: Run
    assessment: Assessment | None
    readings: int
    elapsed_s: float
    events: tuple[Event, ...] = ()
    trouble: Event | None = None
    keeper: KeeperStatus = KeeperStatus()
    loaded: float = 1.0
    fault: str = ""

    @property
    def loading(self) -> bool:
        """Whether the readings are still being gone through."""
        return self.loaded < 1.0

    @property
    def live(self) -> bool:
        """Whether readings may still come."""
        return self.run.open and self.keeper.state != "gone"


def trouble_after(before: Event | None, event: Event, reading_ns: int) -> Event | None:
    """Return what is amiss after `event`, given what was before.

    A reading that came later than the event says that it is over.
    """
    if event.kind in _TROUBLE:
        return event if event.mono_ns >= reading_ns else None
    return None if event.kind in _OVER else before


def state_words(standing: RunStatus) -> str:
    """Say in a few words what the run is doing."""
    run, keeper = standing.run, standing.keeper
    if not run.open:
        return f"ended: {run.ended_how or 'no reason given'}"
    if keeper.state == "gone":
        return GONE
    if keeper.paused:
        return "paused"
    if standing.trouble is not None:
        return _TROUBLE[EventKind(standing.trouble.kind)]
    return "measuring" if standing.readings else "waiting for the first reading"
