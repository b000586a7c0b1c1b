"""One boundary round each message, request, tick and commit.

What nobody expected becomes an event with its traceback in the runs that it concerns,
and the keeper goes on with all of them. The same fault at the same place is told once a
minute at most, with how often it came.
"""

import contextlib
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final

from benchlog.clock import Deadline, host_deadline
from benchlog.model import EventKind
from benchlog.recorder.notice import RunNotice, Tell
from benchlog.recorder.run.commit_queue import OpenRuns
from benchlog.recorder.run.live_run import LiveRun
from benchlog.units import printable

_AGAIN_S: Final = 60.0  # our rule: what comes back each second fills no database
_MOST_PLACES: Final = 200  # our rule: bounds memory; more than faults anybody reads
_MOST_TEXT: Final = 300  # our rule: a line or two
_MOST_RAW: Final = 4_000  # our rule: the end of a traceback, a dozen calls deep

PASSES: Final = (BrokenPipeError,)
"""What goes through: nobody reads any more what a keeper in the foreground prints."""


@dataclass(slots=True)
class _Told:
    """A fault at one place: until when it is not told again, and how often it came."""

    again: Deadline
    untold: int = 0


class Boundary:
    """Keeps what goes wrong in one deed from ending others; tells it in the runs."""

    def __init__(self, runs: OpenRuns, tell: Tell) -> None:
        self._runs, self._tell = runs, tell
        self._told: dict[tuple[str, str, bool], _Told] = {}
        self.faults = 0
        """How many there were; a loop that has many must not spin."""

    def round(
        self,
        what: str,
        *,
        of: Callable[[], Sequence[LiveRun]] | None = None,
        beside: object = None,
        passes: tuple[type[BaseException], ...] = PASSES,
    ) -> "Deed":
        """Return a context for one deed; `what` names it: `a message of 'counter'`.

        `of` gives the runs that it concerns, all open ones where it is left out;
        `beside` is kept with the traceback: what was at hand when it went wrong.
        """
        return Deed(
            boundary=self,
            what=what,
            of=of or self._runs.all,
            beside=beside,
            passes=passes,
        )

    def note(
        self,
        what: str,
        error: Exception,
        runs: Sequence[LiveRun],
        beside: object = None,
    ) -> None:
        """Write into runs that something went wrong; without runs it is only told."""
        self.faults += 1
        said = fault_words(what, error)
        if (often := self._often(error, in_runs=bool(runs))) == 0:
            return
        if often > 1:
            said += f" ({often} times by now)"
        raw = _traceback(error, beside)
        for run in runs:
            with contextlib.suppress(Exception):
                self._runs.note(run, EventKind.FAULT, said, raw=raw)
        if not runs:
            with contextlib.suppress(Exception):
                self._tell(RunNotice(run_id=0, kind="waiting", text=said))

    def _often(self, error: Exception, *, in_runs: bool) -> int:
        """Return how often this fault is to be told as having come; 0: not now."""
        key = (type(error).__name__, _place(error), in_runs)
        told = self._told.get(key)
        if told is not None and not told.again.passed:
            told.untold += 1
            return 0
        if told is None and len(self._told) >= _MOST_PLACES:
            return 0
        self._told[key] = _Told(host_deadline(_AGAIN_S))
        return 1 if told is None else 1 + told.untold


@dataclass(slots=True, kw_only=True)
class Deed:
    """A context in which what goes wrong is held; `fault` is what was held, if any."""

    boundary: Boundary
    what: str
    of: Callable[[], Sequence[LiveRun]]
    beside: object
    passes: tuple[type[BaseException], ...]
    fault: Exception | None = None

    @property
    def words(self) -> str:
        """What was held, in a sentence; empty when all went well."""
        return "" if self.fault is None else fault_words(self.what, self.fault)

    def __enter__(self) -> "Deed":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        if not isinstance(error, Exception) or isinstance(error, self.passes):
            return False
        self.fault = error
        self.boundary.note(self.what, error, self.of(), self.beside)
        return True


def fault_words(what: str, error: Exception) -> str:
    """Return in a sentence what went wrong where in the program."""
    said = " ".join(f"{type(error).__name__}: {error}".split())[:_MOST_TEXT]
    return printable(
        f"the keeper failed at {what} ({said}, {_place(error)}); it goes on"
    )


def _place(error: Exception) -> str:
    """Return file and line of the call that failed; of ours where there is one."""
    calls = traceback.extract_tb(error.__traceback__)
    if not calls:
        return "nowhere"
    ours = [call for call in calls if "benchlog" in call.filename]
    call = (ours or calls)[-1]
    return f"{Path(call.filename).name}:{call.lineno}"


def _traceback(error: Exception, beside: object) -> bytes:
    """Return the end of the traceback, and before it what was at hand."""
    lines = "".join(traceback.format_exception(error, limit=-12))
    try:
        held = "" if beside is None else f"{beside!r:.1000}\n"
    except Exception:  # what came from a stranger may not even print
        held = "what was at hand cannot be printed\n"
    return (held + lines[-_MOST_RAW:]).encode("ascii", errors="backslashreplace")
