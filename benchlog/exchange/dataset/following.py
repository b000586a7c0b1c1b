"""A dataset as a place to send to: what has changed since, again and again."""

from collections.abc import Mapping
from typing import Any, Final

from benchlog.clock import host_clock
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.state import lots_file, mark_of, state_in
from benchlog.exchange.dataset.write import write_dataset
from benchlog.forwarding.forwarding import ForwardReport, KindStatus
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

RUNS: Final = "runs"
READINGS: Final = "readings"


class DatasetWay:
    """A way into a dataset, for one database: each round is an export."""

    def __init__(self, address: str, reader: Reader) -> None:
        self._folder = folder_at(address)
        self._reader = reader
        self._mark = ""

    def send(self, report: ForwardReport) -> None:
        """Bring what has changed; nothing is asked there where nothing has.

        Raises BenchlogError.
        """
        mark = mark_of(self._reader)
        if mark == self._mark or self._reader.latest_run() is None:
            return
        written = write_dataset(self._reader, self._folder)
        for kind, rows in ((RUNS, written.fresh), (READINGS, written.readings)):
            report.sent[kind] = report.sent.get(kind, 0) + rows
        self._mark = mark

    def status(self) -> dict[str, KindStatus]:
        """Return how many runs wait, and since when. Raises BenchlogError."""
        return status_of(self._reader, self._folder)

    def close(self) -> None:
        """Nothing is held between rounds."""


"""
"""


def status_of(reader: Reader, address: str | Folder) -> dict[str, KindStatus]:
    """Return how many runs that are over wait, and since when. Raises BenchlogError."""
    folder, name = folder_at(address), lots_file(reader.database_uid())
    state = state_in(folder, name) if folder.has(name) else {}
    if state.get("mark") == mark_of(reader):
        return {RUNS: KindStatus(waiting=0, lag_s=0.0)}
    newest, now_ns = _moment(state, "told_utc_ns", 0), host_clock().utc_ns()
    waiting = sorted(at for at in reader.told_utc_ns().values() if at > newest)
    if not waiting:
        # what has changed is older than what is there: a clock was set back
        waiting = [_moment(state, "written_utc_ns", now_ns)]
    lag_s = max(0.0, (now_ns - waiting[0]) / NS_PER_S)
    return {RUNS: KindStatus(waiting=len(waiting), lag_s=lag_s)}


def _moment(state: Mapping[str, Any], name: str, other: int) -> int:
    """Return a time that a dataset tells; another one where it tells none."""
    told = state.get(name)
    return told if isinstance(told, int) else other
