"""A lot's plan as plain values: kept with the lot when it is opened, and read again.

The keys are those of the plan in `inspect --json`. How devices are measured is kept
beside them, by whoever opens the lot.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from benchlog.errors import DataError
from benchlog.model import Lot, LotRun
from benchlog.verdict.lot.lot_decision import LotResult, UndecidedRule, decide_lot
from benchlog.verdict.lot.lot_runs import results_of
from benchlog.verdict.lot.sampling_plan import Plan
from benchlog.verdict.lot.sampling_table import Severity, Status
from benchlog.verdict.lot.switching_rules import LotOutcome


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return the plan as plain values, as it is kept and as `inspect --json` has it."""
    return {
        "lot_size": plan.lot_size,
        "sample_size": plan.sample_size,
        "accept": plan.accept,
        "reject": plan.reject,
        "kind": plan.kind,
        "level": plan.level,
        "aql_percent": plan.aql_percent,
        "severity": None if plan.severity is None else plan.severity.value,
        "code_letter": plan.letter,
        "used_letter": plan.used_letter,
        "full": plan.full,
        "status": None if plan.status is None else plan.status.value,
        "doubts": list(plan.doubts),
    }


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
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise _unreadable(error) from error


def _unreadable(error: Exception) -> DataError:
    return DataError(
        f"the plan kept with the lot cannot be read ({error}); open the lot anew under "
        "another name"
    )


def undecided_rule(document: Mapping[str, Any]) -> UndecidedRule:
    """Return what an undecided device counts as, as it was kept beside the plan.

    Raises DataError for a rule that there is not.
    """
    try:
        return UndecidedRule(str(document.get("undecided", UndecidedRule.OPEN)))
    except ValueError as error:
        raise _unreadable(error) from error


def outcomes(
    lots: Sequence[tuple[Lot, Sequence[LotRun]]],
) -> tuple[LotOutcome, ...]:
    """Return the decided lots among these, for the switching rules."""
    found = []
    for lot, runs in lots:
        if lot.plan is None or "sample_size" not in lot.plan:
            continue
        plan = plan_from(lot.plan)
        decision = decide_lot(plan, results_of(runs), undecided_rule(lot.plan))
        if decision.decision is not LotResult.OPEN:
            accepted = decision.decision is LotResult.ACCEPTED
            found.append(LotOutcome(plan, decision.failed, accepted))
    return tuple(found)
