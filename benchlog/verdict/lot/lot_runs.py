"""From the runs of a lot to one result for each device."""

import math
from collections.abc import Container, Iterable, Sequence
from typing import Final

from benchlog.analysis.convolution import ROOT_3
from benchlog.model import Decision, LotRun
from benchlog.units import as_stated
from benchlog.verdict.lot.lot_decision import DeviceResult
from benchlog.verdict.run.budget import COVERAGE, PROBABILITY

WIDER: Final = "judged on a wider limit: judge it again"
AS_OTHER: Final = "judged as another part,"
LOOSER: Final = "judged on a looser tolerance than others of the lot,"
ROUNDING: Final = 1e-9  # our rule: far below any tolerance, far above rounding


def held_runs(runs: Iterable[LotRun]) -> tuple[LotRun, ...]:
    """Return the runs that wait for a person's answer, the oldest first.

    Of a device that was begun again later nothing is asked any more.
    """
    newest = {run.device: run for run in runs}
    return tuple(sorted((r for r in newest.values() if r.held), key=lambda r: r.run))


def results_of(runs: Iterable[LotRun]) -> tuple[DeviceResult, ...]:
    """Return one result for each device, its newest run's, in order of first insertion.

    A run that a person marked (warming, another supply) stands for its device only
    where there is none without a mark: what was done to a device is not how it is.
    A device marked as damaged counts as defective, whatever its frequency. One that
    passed against more than the tolerance, unasked, is undecided: what a lot is decided
    by is the tolerance (limits were wider in a cold or warm room before). So is one
    whose verdict is on another part: that tells nothing of the lot's. And so is one
    that passed against more than others of the lot, as a part file was changed
    meanwhile, or is another one at another bench: a lot has one tolerance.
    """
    newest = _newest_of(runs)
    tightest = _tightest_of(newest)
    return tuple(_result(run, tightest) for run in newest)


def tightest_ppm(runs: Iterable[LotRun]) -> float:
    """Return the smallest tolerance that a device of a lot was judged by.

    Of the runs that stand for their devices; infinity where none was judged.
    """
    return _tightest_of(_newest_of(runs))


def _newest_of(runs: Iterable[LotRun]) -> tuple[LotRun, ...]:
    newest: dict[str, LotRun] = {}
    for run in runs:
        before = newest.get(run.device)
        gives_way = run.is_disturbed and before is not None and not before.is_disturbed
        if run.counts and not gives_way:
            newest[run.device] = run  # a dict keeps the place of the first one
    return tuple(newest.values())


def _tightest_of(newest: Iterable[LotRun]) -> float:
    judged = (run for run in newest if run.word and not run.judged_as)
    known = (run.tolerance_ppm for run in judged)
    return min((one for one in known if one is not None), default=math.inf)


def begun_here(runs: Iterable[LotRun], merged: Container[int]) -> tuple[LotRun, ...]:
    """Return the runs that no merge brought in, in the order in which they were begun.

    `merged` are the ids of the others. Times do not tell: a clock may be set back.
    """
    here = (run for run in runs if run.run not in merged)
    return tuple(sorted(here, key=lambda run: run.run))


def overtaken(begun: Sequence[LotRun]) -> list[tuple[int, int]]:
    """Return runs that count in the place of one that was begun after them, and that.

    `begun` are runs of one database in the order in which they were begun.
    """
    found = []
    last: dict[tuple[str, bool], LotRun] = {}
    for run in reversed([one for one in begun if one.counts]):
        later = last.setdefault((run.device, run.is_disturbed), run)
        if run.started_utc_ns > later.started_utc_ns:
            found.append((run.run, later.run))
    return found


def word_of(run: LotRun, tightest: float = math.inf) -> Decision:
    """Return the verdict of a run as its lot takes it.

    `tightest` is the `tightest_ppm` of the lot's runs, infinity for a run by itself.
    """
    if run.damaged:
        return Decision.FAIL
    word = Decision(run.word or Decision.UNDECIDED)
    more = _is_widened(run) or _is_looser(run, tightest)
    widened = word is Decision.PASS and more
    return Decision.UNDECIDED if widened or run.judged_as else word


def _is_widened(run: LotRun) -> bool:
    if run.over_temperature or run.limit_ppm is None or run.tolerance_ppm is None:
        return False
    return run.limit_ppm > run.tolerance_ppm * (1.0 + ROUNDING)


def _is_looser(run: LotRun, tightest: float) -> bool:
    return (run.tolerance_ppm or 0.0) > tightest * (1.0 + ROUNDING)


def _result(run: LotRun, tightest: float) -> DeviceResult:
    word = word_of(run, tightest)
    turned = not run.damaged and word != run.word and run.word is not None
    return DeviceResult(
        device=run.device,
        run=run.run,
        word=word,
        offset_ppm=run.offset_ppm,
        u_ppm=run.u_ppm,
        at_utc_ns=run.started_utc_ns,
        ambient_c=run.ambient_c,
        position=run.position,
        marked=run.is_disturbed,
        uid=run.uid,
        bench=run.bench,
        doubt=_doubt(run, tightest) if turned else "",
    )


def _doubt(run: LotRun, tightest: float) -> str:
    """Return why a verdict is none for the lot, and what makes it one."""
    if run.judged_as:
        return (
            f"{AS_OTHER} {run.judged_as} (`benchlog judge {run.run} --part` the lot's)"
        )
    if _is_looser(run, tightest):
        return (
            f"{LOOSER} +-{as_stated(run.tolerance_ppm or 0.0)} ppm and not "
            f"+-{as_stated(tightest)} ppm (`benchlog judge` all with one --part)"
        )
    return f"{WIDER} (`benchlog judge {run.run}`)"


def shared_u_ppm(bases: Iterable[tuple[str, float | None]]) -> float:
    """Return the expanded uncertainty that all devices of a lot share.

    Of the time bases, a status and a standard uncertainty for each run (None is
    unknown), the largest: several counters, or checks of different days, may have
    measured. What is stated or assumed is a bound, of which 95 % are taken.
    """
    of_bound = PROBABILITY * ROOT_3
    return max(
        (u * (COVERAGE if status == "checked" else of_bound))
        for status, u in (("checked", 0.0), *bases)
        if u is not None
    )
