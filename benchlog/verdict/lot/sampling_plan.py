"""Sampling plans for incoming inspection: how many devices, how many may fail.

Single sampling by attributes after MIL-STD-105E (1989) / ISO 2859-1, full inspection,
and plans of one's own, with the probability that a lot of given quality is accepted.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchlog.errors import UsageError
from benchlog.units import as_stated, three_digits
from benchlog.verdict.lot.sampling_table import (
    AQLS,
    LEVELS,
    Severity,
    Status,
    cell,
    code_letter,
)

_KNOWN: Final = {
    Status.VERIFIED: "compared with a secondary print of the standard",
    Status.PATTERN: "follows the table's pattern; this cell was not compared",
    Status.MEMORY: "from memory; not compared with any print",
}
_WORST_LAST: Final = tuple(Status)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a lot is sampled.

    Parameters
    ----------
    lot_size : int
        Devices delivered.
    sample_size : int
        Devices to measure, drawn at random from the lot.
    accept, reject : int
        The lot is accepted with up to `accept` defectives, rejected from `reject` on.
        Between them (a gap in reduced inspection only) it is accepted, and normal
        inspection comes back.
    kind : str
        `table`, `full` or `custom`.
    level, aql_percent, severity, letter, used_letter : what the table was asked with
        None for a plan of one's own; `used_letter` differs from `letter` where an arrow
        of the table was followed.
    full : bool
        The whole lot is measured.
    status : Status | None
        What is known of the table cells used, the worst of them; None without a table.
    doubts : tuple of str
        Why a cell is not certain, in words.

    """

    lot_size: int
    sample_size: int
    accept: int
    reject: int
    kind: str = "table"
    level: str | None = None
    aql_percent: float | None = None
    severity: Severity | None = None
    letter: str | None = None
    used_letter: str | None = None
    full: bool = False
    status: Status | None = None
    doubts: tuple[str, ...] = ()

    @property
    def most_accepted(self) -> int:
        """The largest number of defectives with which the lot is accepted."""
        return self.reject - 1


def plan_for(
    lot_size: int,
    aql_percent: float,
    level: str = "II",
    severity: Severity = Severity.NORMAL,
) -> Plan:
    """Return the plan of the standard's tables.

    Where an arrow leads to another plan, that plan's sample size is used too. A sample
    as large as the lot means that every device is measured; Ac and Re stay.

    Raises UsageError when the lot is smaller than 2, the level unknown or the AQL not
    one of the preferred values.
    """
    _check_lot(lot_size)
    if level not in LEVELS:
        raise UsageError(f"there is no level {level!r}; take " + ", ".join(LEVELS))
    if aql_percent not in AQLS:
        raise UsageError(_aql_text(aql_percent))
    letter, of_letter = code_letter(lot_size, level)
    found = cell(letter, aql_percent, severity)
    full = found.sample_size >= lot_size
    doubts = _doubts(letter, of_letter, found.status, severity)
    return Plan(
        lot_size=lot_size,
        sample_size=lot_size if full else found.sample_size,
        accept=found.accept,
        reject=found.reject,
        level=level,
        aql_percent=aql_percent,
        severity=severity,
        letter=letter,
        used_letter=found.letter,
        full=full,
        status=max(of_letter, found.status, key=_WORST_LAST.index),
        doubts=doubts,
    )


def full_plan(lot_size: int, accept: int = 0) -> Plan:
    """Return 100 % inspection, accepting up to `accept` defectives."""
    return custom_plan(lot_size, lot_size, accept)


def custom_plan(lot_size: int, sample_size: int, accept: int) -> Plan:
    """Return a plan of one's own, n and c; a sample of the whole lot is `full`.

    Raises UsageError unless 0 <= c < n; n above the lot size is the whole lot.
    """
    _check_lot(lot_size)
    full = sample_size >= lot_size
    size = min(sample_size, lot_size)
    if not 0 <= accept < size:
        raise UsageError(
            f"a plan with n = {size} and c = {accept} cannot be: c must be 0 or more "
            "and below n"
        )
    kind = "full" if full else "custom"
    return Plan(
        lot_size=lot_size,
        sample_size=size,
        accept=accept,
        reject=accept + 1,
        kind=kind,
        full=full,
    )


def acceptance_probability(
    plan: Plan, fraction: float, *, of_this_lot: bool = False
) -> float:
    """Return the probability that a lot with this fraction defective is accepted.

    Parameters
    ----------
    plan : Plan
        The plan.
    fraction : float
        0 ... 1: of the supplier's process (binomial, "type B"), or, with `of_this_lot`,
        of the very lot (hypergeometric, "type A"; the number of defectives in the lot
        is rounded to a whole one).

    """
    most, size = plan.most_accepted, plan.sample_size
    if of_this_lot:
        bad = round(fraction * plan.lot_size)
        return _hypergeometric(most, plan.lot_size, bad, size)
    from scipy.special import bdtr  # noqa: PLC0415 - half the start of a command

    return float(bdtr(most, size, fraction))


def _hypergeometric(most: int, lot: int, bad: int, size: int) -> float:
    """Return P(X <= most) defectives in a sample, in whole numbers until the end."""
    ways = sum(
        math.comb(bad, k) * math.comb(lot - bad, size - k)
        for k in range(min(most, bad, size) + 1)
    )
    return ways / math.comb(lot, size)


def fraction_at(plan: Plan, probability: float) -> float:
    """Return the fraction defective (0 ... 1) accepted with this probability.

    Binomial; from P(X <= c) = I_(1-p)(n - c, c + 1), the regularised incomplete beta
    function. A plan that accepts whatever it finds gives 1.
    """
    most, size = plan.most_accepted, plan.sample_size
    if most >= size:
        return 1.0
    from scipy.special import betaincinv  # noqa: PLC0415 - as above

    return 1.0 - float(betaincinv(size - most, most + 1, probability))


@dataclass(frozen=True, slots=True)
class Characteristic:
    """The operating characteristic in a few points; fractions 0 ... 1, binomial.

    `at_aql` is the probability of acceptance at the AQL (None without one), `p95`,
    `p50` and `p10` the fractions defective that are accepted with 95, 50 and 10 %.
    """

    at_aql: float | None
    p95: float
    p50: float
    p10: float


def characteristic(plan: Plan) -> Characteristic:
    """Return the points of a plan's operating characteristic."""
    aql = plan.aql_percent
    at_aql = None if aql is None else acceptance_probability(plan, aql / 100)
    return Characteristic(at_aql, *(fraction_at(plan, p) for p in (0.95, 0.50, 0.10)))


def describe_plan(plan: Plan) -> str:
    """Return the plan as a person reads it, a few lines, with what it is worth."""
    lines = [_where_from(plan), _what_to_do(plan)]
    points = characteristic(plan)
    if plan.full:
        lines.append("every device is measured: nothing is left to chance")
    else:
        at = ""
        if points.at_aql is not None:
            aql = as_stated(plan.aql_percent or 0.0)
            at = f"{three_digits(points.at_aql * 100)} % at {aql} % (the AQL), "
        lines.append(
            f"chance of acceptance: 95 % at {three_digits(points.p95 * 100)} % "
            f"defective, {at}"
            f"50 % at {three_digits(points.p50 * 100)} %, 10 % at "
            f"{three_digits(points.p10 * 100)} %"
        )
    return "\n".join([*lines, *plan.doubts])


def _where_from(plan: Plan) -> str:
    if plan.kind == "full":
        return f"lot of {plan.lot_size:,}: 100 % inspection"
    if plan.kind == "custom":
        return f"lot of {plan.lot_size:,}: a plan of your own"
    arrow = f", arrow to {plan.used_letter}" if plan.used_letter != plan.letter else ""
    return (
        f"lot of {plan.lot_size:,}, level {plan.level}, AQL "
        f"{as_stated(plan.aql_percent or 0.0)} %, "
        f"{plan.severity}: code letter {plan.letter}{arrow} "
        "(MIL-STD-105E / ISO 2859-1, single sampling)"
    )


def _what_to_do(plan: Plan) -> str:
    sample = f"measure {plan.sample_size:,}"
    if plan.full:
        sample = f"measure all {plan.sample_size:,}"
    said = f"{sample}; accept with up to {plan.accept} defective, reject from "
    if plan.reject == plan.accept + 1:
        return f"{said}{plan.reject}"
    return f"{said}{plan.reject}; between, accept and return to normal inspection"


def _check_lot(lot_size: int) -> None:
    if lot_size < 2:
        raise UsageError(f"a lot of {lot_size} is no lot: it needs at least 2 devices")


def _aql_text(aql_percent: float) -> str:
    known = ", ".join(as_stated(aql) for aql in AQLS)
    return f"AQL {as_stated(aql_percent)} % is not in the tables; take one of {known}"


def _doubts(
    letter: str, of_letter: Status, of_cell: Status, severity: Severity
) -> tuple[str, ...]:
    doubts = []
    if of_letter is not Status.VERIFIED:
        doubts.append(f"code letter {letter}: {_KNOWN[of_letter]}")
    if of_cell is not Status.VERIFIED:
        doubts.append(f"numbers ({severity} inspection): {_KNOWN[of_cell]}")
    if severity is Severity.REDUCED:
        doubts.append(
            "reduced inspection is MIL-STD-105E's; ISO 2859-1:1999 has other numbers"
        )
    return tuple(doubts)
