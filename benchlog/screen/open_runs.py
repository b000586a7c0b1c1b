"""How runs stand whose row does not say it, for the list: open ones, imports."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchlog.control import state_of
from benchlog.evaluation.run_evaluation import assess, with_figures
from benchlog.model import Purpose, Run
from benchlog.screen.run_status import GONE
from benchlog.store.reader import Reader

_MOST_RUNS: Final = 30
_MOST_READINGS: Final = 200_000


def as_they_stand(database: Path, runs: Sequence[Run]) -> dict[int, Run]:
    """Return by id the runs whose row does not tell all, with what is known of them.

    Of open ones `ended_how` says whether somebody keeps them; offset, U and verdict are
    today's; an import is dated by its readings. At most 30 runs are gone through, and
    the figures of runs beyond 200,000 readings are left to the live screen. May take
    seconds. Raises StoreError.
    """
    untold = [run for run in runs if run.open or run.purpose is Purpose.IMPORT]
    with Reader.open(database) as reader:
        return {run.id: _standing(reader, run) for run in untold[:_MOST_RUNS]}


def _standing(reader: Reader, run: Run) -> Run:
    if run.open:
        state = state_of(run, reader.original)
        run = replace(run, ended_how=state if state == "running" else GONE)
    if run.purpose is Purpose.IMPORT:
        began, _ = reader.made_utc_ns(run)
        if began is not None:
            run = replace(run, started_utc_ns=began)
    if run.verdict is not None or not 0 < run.readings <= _MOST_READINGS:
        return run
    return with_figures(run, assess(reader, run))
