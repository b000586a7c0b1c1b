"""The library's front door: runs of a database as arrays and figures.

`benchlog.open` leads here. Everything is read-only, and a database may be read while
keepers write to it.
"""

import importlib
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import MissingExtraError, NotFoundError, StoreOlderError
from benchlog.evaluation.coded_runs import coded_run
from benchlog.evaluation.document import whole_document
from benchlog.evaluation.judged_alone import judged_alone
from benchlog.evaluation.run_evaluation import Evaluation, evaluate
from benchlog.evaluation.run_history import RunHistory, history_of
from benchlog.model import Columns, Decision, Run
from benchlog.schemas import KEY, name_of
from benchlog.store.backup import at_newest_schema
from benchlog.store.reader import Reader

_NAMED: Final = (
    "in this database; name one by its number, its UUID or the code of its label"
)
_NO_TIME: Final = -1  # definition: no time is stored as it


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Raw readings of one run as numpy arrays of equal length (n,), in their order.

    Nothing is corrected or left out: `frequency_hz` is what the counter read at its
    input (the device's is `divider` times that), `flags` say what is known of each.

    Parameters
    ----------
    id, segment : int64
        Numbers in the database; a new segment began after a break.
    utc_ns : int64
        End of the gate, ns since 1970; -1 where an import has no time stamps.
    mono_ns : int64
        The same on the computer's monotonic clock.
    gate_s, frequency_hz, ambient_c : float64
        `ambient_c` is NaN where it is unknown.
    flags : int64
        Bits of `benchlog.model.Flag`.

    """

    id: NDArray[np.int64]
    segment: NDArray[np.int64]
    utc_ns: NDArray[np.int64]
    mono_ns: NDArray[np.int64]
    gate_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    ambient_c: NDArray[np.float64]
    flags: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.id)

    def __repr__(self) -> str:
        return f"<{len(self)} readings>"

    def to_arrow(self) -> Any:
        """Return a `pyarrow.Table` of the same columns; unknown values are null.

        Raises MissingExtraError where pyarrow is not installed.
        """
        pa = _pyarrow()
        unknown = {
            "utc_ns": self.utc_ns == _NO_TIME,
            "ambient_c": np.isnan(self.ambient_c),
        }
        names = Columns.__slots__
        arrays = [pa.array(getattr(self, n), mask=unknown.get(n)) for n in names]
        return pa.table(arrays, names=list(names))


@dataclass(frozen=True, slots=True)
class RunFigures:
    """What is known of a run: figures, verdict, and what happened in it.

    `evaluation.assessment` has all of it, typed: statistics, budget, limit, time base.
    """

    evaluation: Evaluation
    history: RunHistory

    @property
    def decision(self) -> Decision:
        """Pass, fail or undecided."""
        return self.evaluation.decision

    @property
    def counts(self) -> bool:
        """Whether the run counts; `why_not_counted` tells why where it does not."""
        return not self.evaluation.why_not_counted

    @property
    def why_not_counted(self) -> str:
        """Why the run does not count; empty where it counts."""
        return self.evaluation.why_not_counted

    @property
    def offset_ppm(self) -> float | None:
        """Mean offset from nominal, corrected for the time base; None is unknown."""
        return self.evaluation.assessment.offset_ppm

    @property
    def u_ppm(self) -> float | None:
        """Expanded uncertainty U (95 %) of the offset; None is unknown."""
        return self.evaluation.assessment.u_ppm

    @property
    def limit_ppm(self) -> float | None:
        """What the offset is held against, plus and minus; None where none is known."""
        limit = self.evaluation.assessment.limit
        return limit.ppm if limit.known else None

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why the verdict is what it is."""
        return self.evaluation.reasons

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain values, the document that `show --json` prints."""
        with judged_alone(self.evaluation.run):
            found = whole_document(self.evaluation, self.history)
        return {KEY: name_of("show"), **found}


class RecordedRun:
    """One run of a database: its row at once, readings and figures when asked for."""

    def __init__(self, reader: Reader, row: Run) -> None:
        self._reader, self._row = reader, row

    def __repr__(self) -> str:
        return f"<run {self.id} of {self.device!r}>"

    @property
    def id(self) -> int:
        """Its number."""
        return self._row.id

    @property
    def device(self) -> str:
        """Which device was measured, corrected where its id was mistyped."""
        return self._row.device

    @property
    def row(self) -> Run:
        """All that the database says of the run itself: part, bench, times, purpose."""
        return self._row

    def readings(self) -> Readings:
        """Return all readings; a run of pulses has none. Raises StoreError."""
        columns = self._reader.columns_after(self.id)
        return Readings(**{name: getattr(columns, name) for name in Columns.__slots__})

    def figures(self) -> RunFigures:
        """Judge the run from its readings and return what is known of it.

        They are gone through in constant memory. Raises StoreError, UnreadableRunError.
        """
        evaluation = evaluate(self._reader, self._row, summary="long")
        with judged_alone(self._row):
            return RunFigures(evaluation, history_of(self._reader, self.id))


class Records:
    """A database opened to read; close it, or use it in a `with` block."""

    def __init__(self, reader: Reader, resources: ExitStack) -> None:
        self._reader, self._resources = reader, resources

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a database; of an older version, a copy that is brought up to date.

        Raises StoreError when it is missing, or not ours.
        """
        with ExitStack() as stack:
            reader = stack.enter_context(_opened(Path(path), stack))
            return cls(reader, stack.pop_all())

    def run(self, number: int) -> RecordedRun:
        """Return the run of this number. Raises NotFoundError, naming the runs."""
        return RecordedRun(self._reader, self._reader.run(number))

    def coded(self, code: str) -> RecordedRun:
        """Return the run of this UUID, or that a label's code names.

        Raises NotFoundError for a run that is not here, or a text that names none.
        """
        run = coded_run(self._reader, code)
        if run is None:
            raise NotFoundError("run", code, (), _NAMED)
        return RecordedRun(self._reader, run)

    def latest(self) -> RecordedRun:
        """Return the run that was begun last. Raises NotFoundError without any."""
        found = self._reader.latest_run()
        if found is None:
            raise NotFoundError("run", "latest", (), "the database holds no run yet")
        return RecordedRun(self._reader, found)

    def runs(
        self,
        *,
        device: str | None = None,
        part: str | None = None,
        lot: str | None = None,
        limit: int = 100,
    ) -> list[RecordedRun]:
        """Return runs of this device, part id and lot, the newest first."""
        found = self._reader.runs(device=device, part=part, lot=lot, limit=limit)
        return [RecordedRun(self._reader, row) for row in found]

    @property
    def reader(self) -> Reader:
        """What reads the database; not of the interface that stays as it is."""
        return self._reader

    @property
    def left_out(self) -> Mapping[str, str]:
        """What could not be read so far, and why: `run 7`, `reference check 2`, ..."""
        return self._reader.left_out

    def close(self) -> None:
        """Let go of the database. May be called twice."""
        self._resources.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _opened(path: Path, stack: ExitStack) -> Reader:
    try:
        return Reader.open(path)
    except StoreOlderError:
        copy = stack.enter_context(at_newest_schema(path))
        return Reader.open(copy, original=path)


def _pyarrow() -> Any:
    try:
        return importlib.import_module("pyarrow")
    except ImportError as error:
        raise MissingExtraError("an Arrow table needs pyarrow", "dataset") from error
