"""What is known by now of the reference check that a run was corrected by.

A run keeps the correction it was judged with. Whether the check behind it has since
been voided, or contradicts another, is worked out whenever the run is looked at.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Final

from benchlog.model import (
    InstrumentSpec,
    ReferenceCheck,
    Run,
    Timebase,
)
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    as_stated,
    format_ppm,
    format_u_ppm,
    iso_utc,
)
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.timebase.base_wander import FALSE_ALARMS, BaseWander
from benchlog.verdict.timebase.governing_check import (
    CheckComparison,
    ChecksInForce,
    standing_at,
)
from benchlog.verdict.timebase.known_timebase import timebase_for
from benchlog.verdict.timebase.learnt_ageing import learnt_ageing

_AGAIN: Final = "check again with refcheck"
_WHO: Final = "the check it rests on"
_Pair = tuple[ReferenceCheck, ReferenceCheck]  # that ruled, that contradicts it
_Who = tuple[str, str, str]  # maker, model, serial
_Counter = tuple[_Who, float | None, float | None]  # who, ppm, ppm per year
VOIDED: Final = "corrected by a check that has since been voided"


def timebase_now(
    spec: InstrumentSpec, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> Timebase:
    """Return what corrects a run begun at a time, with what speaks against it.

    `checks` are those of the instrument that were not voided, the newest last.
    """
    known = [one for one in checks if one.at_utc_ns <= at_utc_ns]
    standing = standing_at(spec, known, at_utc_ns)
    ruler = standing.ruler(at_utc_ns)
    if ruler is None and not standing.checks and known:  # all have expired
        then_ns = known[-1].at_utc_ns
        ruler = standing_at(spec, known, then_ns).ruler(then_ns)
    if ruler is not None:
        learnt = learnt_ageing(known)
        base = timebase_for(spec, ruler, at_utc_ns, learnt_ppm_per_year=learnt)
        base = wandered(base, standing.wander, ruler, at_utc_ns)
        return doubted(base, Contradictions(spec, known), ruler)
    if not standing.checks:
        return timebase_for(spec, known[-1] if known else None, at_utc_ns)
    coarse = standing.checks[-1]
    said = (
        f"stated +-{as_stated(abs(spec.timebase_ppm or 0.0))} ppm in the bench file; "
        "the check "
        f"of {iso_utc(coarse.at_utc_ns)} (+- {format_u_ppm(COVERAGE * coarse.u_ppm)} "
        "ppm) agrees and is too coarse to replace it"
    )
    return replace(timebase_for(spec, None, at_utc_ns), text=said)


def doubted(
    base: Timebase, against: "Contradictions", held: ReferenceCheck, again: str = ""
) -> Timebase:
    """Return a time base with what contradicts the check that it rests on."""
    return replace(
        base,
        doubt=against.of(held, again or _AGAIN),
        apart_ppm=against.apart_ppm(held),
    )


def wandered(
    base: Timebase, wander: BaseWander, ruler: ReferenceCheck, at_utc_ns: int
) -> Timebase:
    """Return a time base with what it may have wandered since its check.

    The ageing that an expired check grows by has the wander in it.
    """
    days = (at_utc_ns - ruler.at_utc_ns) / (SECONDS_PER_DAY * NS_PER_S)
    u_ppm = wander.u_ppm(days)
    if base.status != "checked" or base.stale or u_ppm == 0.0:
        return base
    moved = format_u_ppm(COVERAGE * u_ppm)
    said = f"{base.text}, wander since then +-{moved} ppm by {wander.checks} checks"
    return replace(base, u_ppm=math.hypot(base.u_ppm, u_ppm), text=said)


def check_behind(run: Run, checks: Iterable[ReferenceCheck]) -> ReferenceCheck | None:
    """Return which of `checks`, voided ones too, the run's time base rests on."""
    base = run.timebase
    if base is None or base.status != "checked":
        return None
    asked = {one.who for one in run.identities.values() if one.serial}
    rests = (base.offset_ppm, base.valid_until_utc_ns)
    held = [
        one
        for one in checks
        if one.instrument.who in asked
        and (one.offset_ppm, one.valid_until_utc_ns) == rests
    ]
    counter = run.counter_identity
    of_counter = (one for one in held if counter and one.instrument.who == counter.who)
    return next(of_counter, next(iter(held), None))


def as_known(run: Run, checks: Iterable[ReferenceCheck]) -> Run:
    """Return the run with what now speaks against its check (`timebase.doubt`).

    `checks` are all that the database has, voided ones too, the newest last. The
    correction stays as it was.
    """
    return all_as_known((run,), checks)[0]


def all_as_known(runs: Iterable[Run], checks: Iterable[ReferenceCheck]) -> list[Run]:
    """Return runs as `as_known` does, going through the checks once for them all."""
    known = KnownChecks(checks)
    return [known.of(run) for run in runs]


class KnownChecks:
    """All checks of a database: what speaks against them is worked out once.

    `checks` are as for `as_known`.
    """

    def __init__(self, checks: Iterable[ReferenceCheck]) -> None:
        self._standing: dict[_Who, list[ReferenceCheck]] = {}
        self._found: dict[tuple[float, int], list[ReferenceCheck]] = {}
        self._against: dict[_Counter, Contradictions] = {}
        for one in checks:
            found = (one.offset_ppm, one.valid_until_utc_ns)
            self._found.setdefault(found, []).append(one)
            if one.void is None:
                self._standing.setdefault(one.instrument.who, []).append(one)

    def of(self, run: Run) -> Run:
        """Return the run with what now speaks against its check."""
        base = run.timebase
        if base is None or base.valid_until_utc_ns is None:
            return run
        found = (base.offset_ppm, base.valid_until_utc_ns)
        held = check_behind(run, self._found.get(found, ()))
        if held is None:
            return run
        return replace(run, timebase=self._doubted(run, base, held))

    def _doubted(self, run: Run, base: Timebase, held: ReferenceCheck) -> Timebase:
        again = f"judge it again with `benchlog judge {run.id} --refcheck latest`"
        if held.void is not None:
            return replace(base, doubt=f"{VOIDED} ({held.void}); {again}")
        who = held.instrument.who
        spec = counter_of(run, who)
        counter: _Counter = (who, None, None)
        if spec is not None:
            counter = (who, spec.timebase_ppm, spec.timebase_ageing_ppm_per_year)
        if counter not in self._against:
            self._against[counter] = Contradictions(spec, self._standing[who])
        return doubted(base, self._against[counter], held, again)


def counter_of(run: Run, who: _Who) -> InstrumentSpec | None:
    """Return what a run's bench says of the time base of an instrument."""
    specs = run.recorded_bench.instruments
    named = (name for name, one in run.identities.items() if one.who == who)
    return next((specs[name] for name in named if name in specs), None)


def contradiction(
    spec: InstrumentSpec | None,
    held: ReferenceCheck,
    checks: Sequence[ReferenceCheck],
    again: str = _AGAIN,
    who: str = _WHO,
) -> str:
    """Say that a check contradicts another, as long as no third one settles it.

    `checks` are those of the instrument that were not voided, the newest last; `who`
    is what the check is called, `again` what to do where it stands alone.
    """
    return Contradictions(spec, checks).of(held, again, who)


class Contradictions:
    """Which checks of one instrument contradict each other, worked out once.

    `checks` are those that were not voided, the newest last.
    """

    def __init__(
        self, spec: InstrumentSpec | None, checks: Sequence[ReferenceCheck]
    ) -> None:
        self._checks = checks
        self._settled: dict[int, ReferenceCheck | None] = {}
        self._made: dict[int, list[int]] = {}
        standing = ChecksInForce(spec)
        for one in checks:
            standing.add_check(one)
        self._pairs, self._apart = standing.contradicted, standing.comparisons
        self._wanders = standing.wanders
        for number, pair in enumerate(self._pairs):
            for at_utc_ns in {one.at_utc_ns for one in pair}:
                self._made.setdefault(at_utc_ns, []).append(number)

    def apart_ppm(self, held: ReferenceCheck) -> float:
        """Return how far the farthest check that contradicts this one lies from it."""
        pairs = (self._pairs[number] for number in self._made.get(held.at_utc_ns, ()))
        return max(
            (abs(b.offset_ppm - a.offset_ppm) for a, b in pairs if held in (a, b)),
            default=0.0,
        )

    def of(self, held: ReferenceCheck, again: str = _AGAIN, who: str = _WHO) -> str:
        """Say what contradicts a check, as `contradiction` does."""
        for number in self._made.get(held.at_utc_ns, ()):
            older, newer = self._pairs[number]
            if held not in (older, newer):
                continue
            third = self._settled_by(number)
            other = newer if held == older else older
            words = _said(self._apart[number], held == older)
            said = f"{who} {words}"
            if third is None:
                return (
                    f"{said}: the time base may have moved, or one of them was wired "
                    "wrongly; check again with refcheck"
                )
            between = (third.at_utc_ns < held.at_utc_ns) != (
                other.at_utc_ns < held.at_utc_ns
            )
            if between and self._agree(number, third, other):
                return f"{said}, and checks before and after it agree; {again}"
        return ""

    def _settled_by(self, number: int) -> ReferenceCheck | None:
        """Return the newest other check that agrees with one of a pair, and one only.

        None where there is none.
        """
        if number not in self._settled:
            pair = self._pairs[number]
            settling = (
                one for one in reversed(self._checks) if self._tells(number, one, pair)
            )
            self._settled[number] = next(settling, None)
        return self._settled[number]

    def _tells(self, number: int, third: ReferenceCheck, pair: _Pair) -> bool:
        if third in pair:
            return False
        first, second = (self._agree(number, third, one) for one in pair)
        return first != second

    def _agree(self, number: int, one: ReferenceCheck, other: ReferenceCheck) -> bool:
        """Whether two agree by what was known of the base when a pair was found."""
        return self._wanders[number].agree(*_in_order(one, other), FALSE_ALARMS)


def _in_order(
    one: ReferenceCheck, other: ReferenceCheck
) -> tuple[ReferenceCheck, ReferenceCheck]:
    return (one, other) if one.at_utc_ns <= other.at_utc_ns else (other, one)


def _said(found: CheckComparison, is_older: bool) -> str:
    allowed = found.allowed_ppm
    by = f"by {format_ppm(found.difference_ppm, allowed)} ppm where "
    by += f"{format_u_ppm(allowed)} is allowed"
    if is_older:
        return f"is contradicted by the one after it {by}"
    return f"contradicts the one before it {by}"


# --- calibrations that are due: said in the month before, and ever after

WARN_DAYS: Final = 30  # our rule: time to send an instrument in


def due_words(instruments: Iterable[InstrumentSpec], at_utc_ns: int) -> Iterator[str]:
    """Yield a sentence for each instrument whose calibration is due soon, or was."""
    today = datetime.fromtimestamp(at_utc_ns // NS_PER_S, UTC).date()
    for spec in instruments:
        if not spec.calibration_due:
            continue
        days = (date.fromisoformat(spec.calibration_due) - today).days
        if days < 0:
            yield (
                f"the calibration of {spec.name!r} was due on {spec.calibration_due}, "
                f"{_counted(-days)} ago"
            )
        elif days <= WARN_DAYS:
            yield (
                f"the calibration of {spec.name!r} is due on {spec.calibration_due}, "
                f"in {_counted(days)}"
            )


def _counted(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"
