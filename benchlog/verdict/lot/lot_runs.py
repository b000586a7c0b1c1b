"""From the runs of a lot to one result for each device; plans from what was kept."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from benchlog.errors import DataError
from benchlog.model import Decision, Lot, LotRun
from benchlog.verdict.lot.lot_decision import (
    DeviceResult,
    LotResult,
    UndecidedRule,
    decide_lot,
)
from benchlog.verdict.lot.sampling_plan import Plan
from benchlog.verdict.lot.sampling_table import Severity, Status
from benchlog.verdict.lot.switching_rules import LotOutcome


def counts(run: LotRun) -> bool:
    """Whether a run counts for its lot: ended by its plan or a person, not set aside.

    A damaged device counts even when its run was not ended.
    """
    if run.set_aside:
        return False
    return run.damaged or (run.ended_how is not None and run.word is not None)


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


def plan_from(document: Mapping[str, Any]) -> Plan:
    """Rebuild a plan from what `plan_document` made of it.

    Raises DataError when something is missing: an older or a stranger's database.
    """
    try:
        severity, status = document["severity"], document["status"]
        return Plan(
            lot_size=int(document["lot_size"]),
            sample_size=int(document["sample_size"]),
            accept=int(document["accept"]),
            reject=int(document["reject"]),
            kind=str(document["kind"]),
            level=document["level"],
            aql_percent=document["aql_percent"],
            severity=None if severity is None else Severity(severity),
            letter=document["code_letter"],
            used_letter=document["used_letter"],
            full=bool(document["full"]),
            status=None if status is None else Status(status),
            doubts=tuple(document["doubts"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise DataError(
            f"the plan kept with the lot cannot be read ({error}); open the lot anew "
            "under another name"
        ) from error


def outcomes(
    lots: Sequence[tuple[Lot, Sequence[LotRun]]],
) -> tuple[LotOutcome, ...]:
    """Return the decided lots among these, for the switching rules."""
    found = []
    for lot, runs in lots:
        if lot.plan is None or "sample_size" not in lot.plan:
            continue
        plan = plan_from(lot.plan)
        rule = UndecidedRule(str(lot.plan.get("undecided", UndecidedRule.OPEN)))
        decision = decide_lot(plan, results_of(runs), rule)
        if decision.decision is not LotResult.OPEN:
            accepted = decision.decision is LotResult.ACCEPTED
            found.append(LotOutcome(plan, decision.failed, accepted))
    return tuple(found)
