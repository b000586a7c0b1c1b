"""What a reference check says while it runs and when it is done."""

from dataclasses import dataclass
from typing import Any, Final

from benchlog.cli.printing import pairs
from benchlog.cli.tasks.headless import Narration
from benchlog.model import ReferenceCheck
from benchlog.recorder.keeper import RunNotice
from benchlog.units import (
    format_duration,
    format_ppm,
    format_u_ppm,
    iso_utc,
    printable,
)
from benchlog.verdict.timebase.governing_check import CheckComparison
from benchlog.verdict.timebase.reference_check import Finding

_PULSES_HZ: Final = 1e3
_FEW_K: Final = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Whether a check was kept, why it should not be, and what else to know of it.

    `beside` is how it stands to the check that ruled until then, where one did;
    `unused` says that what the bench file states goes on instead, where it does.
    """

    kept: bool
    refusals: tuple[str, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    beside: CheckComparison | None = None
    unused: str = ""

    @property
    def in_use(self) -> bool:
        """Whether later runs are corrected by it."""
        replaces = self.beside is None or self.beside.in_use
        return self.kept and replaces and not self.unused


class CheckNarration(Narration):
    """Says what is known of the time base so far, one line in half a second."""

    def __init__(self) -> None:
        super().__init__()
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


def check_document(
    check: ReferenceCheck, finding: Finding, weighed: Weighed
) -> dict[str, Any]:
    """Return a check as plain values for JSON; `u_ppm` is U with 95 %."""
    drift = finding.drift
    return {
        "offset_ppm": finding.offset_ppm,
        "u_ppm": finding.budget.expanded_ppm,
        "pulses": finding.pulses,
        "missed": finding.missed,
        "valid_until": iso_utc(check.valid_until_utc_ns) if weighed.kept else None,
        "set_aside": finding.set_aside,
        "span_s": finding.span_s,
        "method": finding.method,
        "instrument": check.instrument.text,
        "serial": check.instrument.serial,
        "run": check.run_id,
        "kept": weighed.kept,
        "in_use": weighed.in_use,
        "older": _older(weighed.beside),
        "reasons": list(weighed.refusals),
        "warnings": list(weighed.warnings),
        "notes": [one for one in (weighed.unused, *weighed.notes) if one],
        "drift": None
        if drift is None
        else {
            "ppm_per_h": drift.ppm_per_h,
            "u_ppm_per_h": drift.u_ppm_per_h,
            "allowed_ppm_per_h": drift.allowed,
            "allowed_by": drift.limit.text,
        },
        "k": finding.budget.k,
        "budget": [
            {"name": line.name, "u_ppm": line.u_ppm, "text": line.text}
            for line in finding.budget.lines
        ],
        "simulated": check.instrument.simulated,
    }


def _older(beside: CheckComparison | None) -> dict[str, Any] | None:
    if beside is None:
        return None
    older = beside.older
    return {
        "run": older.run_id,
        "utc": iso_utc(older.at_utc_ns),
        "offset_ppm": older.offset_ppm,
        "u_ppm": beside.older_u_ppm,
        "agrees": beside.agrees,
        "text": beside.text,
    }


def check_text(document: dict[str, Any], counter: str, nominal_hz: float) -> str:
    """Return a check as a person reads it."""
    drift, u = document["drift"], document["u_ppm"]
    moved = "not known"
    if drift is not None:
        moved = (
            f"{format_ppm(drift['ppm_per_h'], drift['u_ppm_per_h'])} +- "
            f"{format_u_ppm(drift['u_ppm_per_h'])} ppm an hour "
            f"(95 %); {format_u_ppm(drift['allowed_ppm_per_h'])} is allowed, "
            f"{drift['allowed_by']}"
        )
    counted = f"{document['pulses']:,} in {format_duration(document['span_s'])}"
    counted += f", {document['missed']} missed, {document['set_aside']} set aside"
    lines = [
        ("time base", f"{counter}: {printable(document['instrument'])}"),
        (
            "offset",
            f"{format_ppm(document['offset_ppm'], u)} +- {format_u_ppm(u)} ppm (95 %), "
            f"{_sense(document['offset_ppm'], u)}",
        ),
        ("drift", moved),
        ("pulses" if nominal_hz <= _PULSES_HZ else "readings", counted),
        ("method", printable(document["method"])),
        ("from", "\n".join(_shares(document))),
        ("holds until", document["valid_until"] or "NOT KEPT, --insist keeps it"),
    ]
    warned = document["reasons"] + document["warnings"]
    if warned:
        lines.append(("warning", "\n".join(warned)))
    notes = document["notes"] + ["simulated data"] * document["simulated"]
    if notes:
        lines.append(("note", "\n".join(notes)))
    older = document["older"]
    if older is not None:
        told = older["text"] if document["kept"] else ""
        lines.append(("older check", told or _agreement(older)))
    return pairs(lines)


def _sense(offset_ppm: float, u_ppm: float) -> str:
    if abs(offset_ppm) <= u_ppm:
        return "no offset can be told"
    return "fast" if offset_ppm > 0 else "slow"


def _agreement(older: dict[str, Any]) -> str:
    """Say of an older check that nothing need be done about, that it is there."""
    u = older["u_ppm"]
    said = "agrees" if older["agrees"] else "CONTRADICTS THIS ONE"
    offset = f"{format_ppm(older['offset_ppm'], u)} +- {format_u_ppm(u)} ppm"
    return f"{said}: {older['utc']}, {offset}"


def _shares(document: dict[str, Any]) -> list[str]:
    lines = [
        f"{line['name']} u {format_u_ppm(line['u_ppm'])} ppm: {line['text']}"
        for line in document["budget"]
    ]
    few = ", few degrees of freedom" if document["k"] > _FEW_K else ""
    return [*lines, f"together U = k u, k = {document['k']:.2f}{few}"]
