"""What a reference check says while it runs and when it is done."""

from typing import Final

from benchlog.cli.narrator import Narrator
from benchlog.cli.printing import pairs
from benchlog.cli.tasks.headless import Narration
from benchlog.evaluation.reference_finding import Weighed
from benchlog.model import ReferenceCheck
from benchlog.recorder.keeper import RunNotice
from benchlog.units import (
    format_duration,
    format_ppm,
    format_u_ppm,
    iso_utc,
    printable,
)
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.timebase.governing_check import CheckComparison
from benchlog.verdict.timebase.reference_check import Finding
from benchlog.verdict.timebase.warm_up import WarmUpDrift

_PULSES_HZ: Final = 1e3
_FEW_K: Final = 2.5


class CheckNarration(Narration):
    """Says what is known of the time base so far, one line in half a second."""

    def __init__(self, narrator: Narrator) -> None:
        super().__init__(narrator)
        self._reading = timebase_line


def timebase_line(told: RunNotice) -> str:
    """Return one line on the time base: positive is fast.

    A counter that is fast reads the reference low; divided to pulses, it gains on it.
    """
    a = told.assessment
    if a is None:
        return ""
    what, offset = "pulses", a.offset_ppm
    if told.pulse is None:
        what = "readings"
        offset = None if offset is None else -offset / (1.0 + offset * 1e-6)
    said = "-" if offset is None or a.u_ppm is None else format_ppm(offset, a.u_ppm)
    return (
        f"{a.stats.n:>6,} {what}  time base {said} ppm  U {format_u_ppm(a.u_ppm)} ppm"
    )


def check_text(
    check: ReferenceCheck,
    finding: Finding,
    weighed: Weighed,
    *,
    counter: str,
    nominal_hz: float,
) -> str:
    """Return a check of `counter` as a person reads it.

    `nominal_hz` is that of the readings or pulses that were taken.
    """
    u = finding.budget.expanded_ppm
    counted = f"{finding.pulses:,} in {format_duration(finding.span_s)}"
    counted += f", {finding.missed} missed, {finding.set_aside} set aside"
    valid_until = iso_utc(check.valid_until_utc_ns) if weighed.kept else None
    lines = [
        ("time base", f"{counter}: {printable(check.instrument.text)}"),
        (
            "offset",
            f"{format_ppm(finding.offset_ppm, u)} +- {format_u_ppm(u)} ppm (95 %), "
            f"{_sense(finding.offset_ppm, u)}",
        ),
        ("drift", _moved(finding.drift)),
        ("pulses" if nominal_hz <= _PULSES_HZ else "readings", counted),
        ("method", printable(finding.method)),
        ("from", "\n".join(_shares(finding.budget))),
        ("holds until", valid_until or "NOT KEPT, --insist keeps it"),
    ]
    warned = (*weighed.refusals, *weighed.warnings)
    if warned:
        lines.append(("warning", "\n".join(warned)))
    notes = [*weighed.told, *["simulated data"] * check.instrument.simulated]
    if notes:
        lines.append(("note", "\n".join(notes)))
    beside = weighed.beside
    if beside is not None:
        told = beside.text if weighed.kept else ""
        lines.append(("older check", told or _agreement(beside)))
    return pairs(lines)


def _moved(drift: WarmUpDrift | None) -> str:
    if drift is None:
        return "not known"
    return (
        f"{format_ppm(drift.ppm_per_h, drift.u_ppm_per_h)} +- "
        f"{format_u_ppm(drift.u_ppm_per_h)} ppm an hour "
        f"(95 %); {format_u_ppm(drift.allowed)} is allowed, {drift.limit.text}"
    )


def _sense(offset_ppm: float, u_ppm: float) -> str:
    if abs(offset_ppm) <= u_ppm:
        return "no offset can be told"
    return "fast" if offset_ppm > 0 else "slow"


def _agreement(beside: CheckComparison) -> str:
    """Say of an older check that nothing need be done about, that it is there."""
    u, older = beside.older_u_ppm, beside.older
    said = "agrees" if beside.agrees else "CONTRADICTS THIS ONE"
    offset = f"{format_ppm(older.offset_ppm, u)} +- {format_u_ppm(u)} ppm"
    return f"{said}: {iso_utc(older.at_utc_ns)}, {offset}"


def _shares(budget: Budget) -> list[str]:
    lines = [
        f"{line.name} u {format_u_ppm(line.u_ppm)} ppm: {line.text}"
        for line in budget.lines
    ]
    few = ", few degrees of freedom" if budget.k > _FEW_K else ""
    return [*lines, f"together U = k u, k = {budget.k:.2f}{few}"]
