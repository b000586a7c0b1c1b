"""Which run a key of a lot's screen means: the one that its reader sees; pure."""

from collections.abc import Iterable
from typing import Final

from benchlog.model import LotRun
from benchlog.screen.inspection.places import Places
from benchlog.verdict.lot.lot_report import LotReport

_OF_A_RUN: Final = ("again", "aside", "damaged", "note")


def noted(report: LotReport | None, places: Places) -> str:
    """Return the device that a remark is for: the one that is in, or the last one."""
    runs = (report.begun or report.runs) if report is not None else ()
    here = _at(places, runs)
    being = [run for run in here if run.run == places.spot.run]
    return (being or here)[-1].device if here else ""


def meant(verb: str, report: LotReport | None, places: Places) -> int | None:
    """Return the run that a key means: the one that goes on, or the last one there.

    It is named to the keeper, where the next device may have begun meanwhile. What is
    taken back, or damaged, counts. None where nothing is known to be there, and for
    what means no run of a position.
    """
    if verb not in _OF_A_RUN:
        return None
    if places.spot.run is not None:
        return places.spot.run
    counts = verb in ("aside", "damaged")
    begun = report.begun if report is not None else ()
    here = (run for run in _at(places, begun) if run.counts or not counts)
    return max((run.run for run in here), default=None)


def _at(places: Places, runs: Iterable[LotRun]) -> list[LotRun]:
    return [run for run in runs if places.focus in ("", run.position)]
