"""From the runs of a lot to one result for each device."""

from collections.abc import Iterable

from benchlog.model import Decision, LotRun
from benchlog.verdict.lot.lot_decision import DeviceResult


def counts(run: LotRun) -> bool:
    """Whether a run counts for its lot: ended by its plan or a person, not set aside.

    A damaged device counts even when its run was not ended.
    """
    if run.set_aside:
        return False
    return run.damaged or (run.ended_how is not None and run.word is not None)


def held_runs(runs: Iterable[LotRun]) -> tuple[LotRun, ...]:
    """Return the runs that wait for a person's answer, the oldest first.

    Of a device that was begun again later nothing is asked any more.
    """
    newest = {run.device: run for run in runs}
    return tuple(sorted((r for r in newest.values() if r.held), key=lambda r: r.run))


def results_of(runs: Iterable[LotRun]) -> tuple[DeviceResult, ...]:
    """Return one result for each device, its newest run's, in order of first insertion.

    A device marked as damaged counts as defective, whatever its frequency.
    """
    newest: dict[str, LotRun] = {}
    for run in runs:
        if counts(run):
            newest[run.device] = run  # a dict keeps the place of the first one
    return tuple(_result(run) for run in newest.values())


def _result(run: LotRun) -> DeviceResult:
    return DeviceResult(
        device=run.device,
        run=run.run,
        word=Decision.FAIL if run.damaged else Decision(run.word or Decision.UNDECIDED),
        offset_ppm=run.offset_ppm,
        u_ppm=run.u_ppm,
        at_utc_ns=run.started_utc_ns,
        ambient_c=run.ambient_c,
        position=run.position,
    )


def shared_u_ppm(u_ppm: Iterable[float | None]) -> float:
    """Return the expanded uncertainty that all devices of a lot share.

    Of the standard uncertainties of the time base, one for each run (None is unknown),
    the largest: several counters, or checks of different days, may have measured.
    """
    return 2.0 * max((u for u in u_ppm if u is not None), default=0.0)
