"""The runs of one keeper at several positions: which there are, how they stand."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from textual.content import Content

from benchlog.errors import BenchlogError
from benchlog.evaluation.brief_wording import UNKNOWN
from benchlog.model import Run
from benchlog.screen.figures import run_verdict
from benchlog.screen.run_status import KeeperStatus
from benchlog.store.reader import Reader
from benchlog.units import printable

_MOST: Final = 64
_ID_CELLS: Final = 20
_SHOWN, _NOT_SHOWN = "▸ ", "  "


class SiblingRuns:
    """What was last heard of the runs of each keeper, the newest of each position."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._runs: dict[str, dict[int, Run]] = {}
        self._keepers: dict[str, KeeperStatus] = {}

    def heard(self, control: str, keeper: KeeperStatus) -> None:
        """Take in what the keeper that listens at `control` says of its runs."""
        if keeper.state == "here" or control in self._keepers:
            before = self._keepers.get(control, keeper)
            begun = keeper.begun or before.begun
            self._keepers[control] = keeper
            self._read(control, begun[-_MOST:])

    def of(self, run: Run) -> tuple[Run, ...]:
        """Return the newest run of each position of this run's keeper, in their order.

        Empty when there is no more than one position.
        """
        known = self._runs.get(run.control, {})
        newest = {one.position: one for _, one in sorted(known.items())}
        return tuple(newest.values()) if len(newest) > 1 else ()

    def doing(self, run: Run) -> str:
        """Say in a word how a run stands: its verdict once it has ended."""
        if not run.open:
            return run_verdict(run) or run.ended_how or UNKNOWN
        keeper = self._keepers.get(run.control, KeeperStatus())
        return "broken off" if keeper.state == "gone" else keeper.doing(run.id)

    def _read(self, control: str, begun: Sequence[int]) -> None:
        """Read the rows of the runs anew that may have changed."""
        known = self._runs.setdefault(control, {})
        stale = [i for i in begun if i not in known or known[i].open]
        if len(begun) < 2 or not stale:
            return
        try:
            with Reader.open(self._database) as reader:
                known.update({run_id: reader.run(run_id) for run_id in stale})
        except BenchlogError:
            return  # the live screen says what is wrong with the database


def strip(beside: SiblingRuns, run: Run) -> Content:
    """Return all positions in one line, the one that is shown with a pointer."""
    said = []
    for one in beside.of(run):
        shown = one.id == run.id
        device = Content(printable(one.device)).truncate(_ID_CELLS, ellipsis=True)
        pointer = _SHOWN if shown else _NOT_SHOWN
        text = Content.assemble(
            f"{pointer}{printable(one.position)} ", device, f" {beside.doing(one)}"
        )
        said.append(text.stylize("bold" if shown else "$dim"))
    return Content("  |").join(said)


def others_open(beside: SiblingRuns, run: Run) -> list[Run]:
    """Return the runs at the other positions that go on when this one is stopped."""
    return [one for one in beside.of(run) if one.open and one.id != run.id]


def named(runs: Sequence[Run]) -> str:
    """Return runs with device and position: `run 4 (KX-B at B)`."""
    said = [
        f"run {r.id} ({printable(r.device)} at {printable(r.position)})" for r in runs
    ]
    return " and ".join(said)


def still_going(runs: Sequence[Run]) -> str:
    """Say which runs are still going, for a question about all of them."""
    if len(runs) == 1:
        return f"Run {runs[0].id} is still going."
    said = named(runs)
    return f"{said[0].upper()}{said[1:]} are still going."
