"""What each part of a lot's screen shows; pure."""

from collections.abc import Mapping
from typing import Final

from benchlog.control import Answer, Request
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Decision, LotRun, does_not_count_text
from benchlog.model.counting import NOT_JUDGED
from benchlog.screen.inspection.places import Places, Spot
from benchlog.units import (
    as_stated,
    counted,
    format_ppm,
    format_u_ppm,
    printable,
)
from benchlog.verdict.lot.lot_decision import LotResult
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.sampling_plan import Plan

# --- what stands in each part of a lot's screen; pure

_RINGS: Final = {Decision.PASS: 1, Decision.FAIL: 2, Decision.UNDECIDED: 3}
_BAR: Final = 30
_DONE: Final = {
    "again": "measured again; the newest run counts",
    "aside": "taken back: that run does not count (Ctrl+Z undoes it)",
    "damaged": "marked as damaged: it counts as defective (Ctrl+Z undoes it)",
    "meant": "it is meant: it counts (Ctrl+Z undoes it)",
    "skip": "skipped: it does not count; the next device, please",
    "take-out": "put the right one in under the same id",
    "note": "the note is kept",
    "pause": "paused: nothing is begun until you resume",
    "go-on": "goes on",
}

ENTER_IS_NO_NOTE: Final = (
    "Enter keeps no note: F5 keeps it; Esc, and the line holds an id again"
)


def _plan(report: LotReport) -> Plan:
    assert report.plan is not None  # nothing is inspected without one
    return report.plan


NOTE_NOT_KEPT: Final = (
    "The note is not kept yet: F5 keeps it; Esc once more, and the line holds an id"
)


def lost_by_leaving(places: Places, *, noting: bool) -> str:
    """Say what leaving now would lose or end; empty when nothing."""
    if noting:
        return "The note is not kept yet: F5 keeps it, F8 once more leaves without it"
    if all(spot.run is None for spot in places.spots) or places.gone:
        return ""
    return (
        "A device is being measured: F8 once more ends its run, which then does not "
        "count, and leaves"
    )


_ID_CELLS: Final = 24
_ROW_CELLS: Final = 20


def brief_id(device: str, cells: int = _ID_CELLS) -> str:
    """Return an id in a line of text: a long one without its middle."""
    shown = printable(device)
    if len(shown) <= cells:
        return shown
    tail = (cells - 1) // 2
    return f"{shown[: cells - 1 - tail]}…{shown[len(shown) - tail :]}"


def lot_line(report: LotReport) -> str:
    """Return lot, part and plan."""
    if report.plan is None:
        return f"lot {printable(report.lot.lot)}  {report.part.id}  trimming"
    plan = _plan(report)
    return (
        f"lot {printable(report.lot.lot)}  {report.part.id}  "
        f"sample {plan.sample_size} of {plan.lot_size:,}  "
        f"Ac {plan.accept} Re {plan.reject}"
    )


def counts_line(report: LotReport) -> str:
    """Return how far the sample is, and what came out."""
    if report.plan is None:
        return _trimmed_line(report)
    standing, plan = report.standing, _plan(report)
    size = plan.sample_size
    done = size - standing.remaining
    filled = round(_BAR * done / size)
    bar = "█" * filled + "░" * (_BAR - filled)
    return (
        f"{bar} {done}/{size}  ✓ {standing.passed}  ✗ {standing.failed} of at most "
        f"{plan.most_accepted}  ? {standing.undecided}"
    )


def _trimmed_line(report: LotReport) -> str:
    """Return what came out of the devices so far, where all that come are taken."""
    now = report.standing
    return (
        f"{len(report.results)} trimmed  ✓ {now.passed} brought in  ✗ {now.failed}  "
        f"? {now.undecided}"
    )


def todo(report: LotReport, places: Places, readings: Mapping[int, int]) -> str:
    """Say what the person is to do now; at several positions, what goes on at each."""
    if places.gone:
        return printable(places.gone)
    if places.paused:
        return "paused: F6 goes on"
    if report.held:
        return f"HELD: is {brief_id(report.held[0].device)} the right part?"
    if len(places.spots) < 2:
        return _at(report, places.spot, readings) or _next(report)
    lines = [_next(report)] if any(spot.free for spot in places.spots) else []
    for spot in places.spots:
        mark = "▸" if spot.name == places.focus else " "
        said = _at(report, spot, readings) or _empty(spot)
        lines.append(f"{mark} {printable(spot.name)}  {said}")
    return "\n".join(lines)


def _at(report: LotReport, spot: Spot, readings: Mapping[int, int]) -> str:
    """Return what goes on at a position; empty when it waits for an id."""
    if spot.run is None:
        return _waiting(spot) if spot.waiting else ""
    name = next((r.device for r in report.runs if r.run == spot.run), "")
    least = (report.lot.plan or {}).get("min_readings")
    wanted = f" (at least {least} once settled)" if least else ""
    taken = counted(readings.get(spot.run, 0), "reading")
    if report.plan is None:
        return f"trimming {brief_id(name)}: {taken}"
    return f"measuring {brief_id(name)}: {taken}{wanted}"


def _empty(spot: Spot) -> str:
    if spot.seen is False:
        return "empty"
    return "a device is in, its id is not known" if spot.left else "the last one is in"


def _next(report: LotReport) -> str:
    if report.plan is None:
        return "put the next device in and scan or type its id"
    if report.standing.decision is not LotResult.OPEN:
        said = f"LOT {report.standing.decision.upper()}: {report.standing.text}"
        if not report.standing.remaining:
            return f"{said}. F8 shows the result"
        return f"{said}. F8 stops; or complete the sample"
    if not report.standing.remaining:
        return f"sample complete, {report.standing.text}: scan one of them again"
    return "put the next device in and scan or type its id"


def _waiting(spot: Spot) -> str:
    device = brief_id(spot.waiting)
    if spot.seen is False:
        return f"put {device} in"
    if not spot.left:
        return f"take the last device out, put {device} in (it is in already: F9)"
    return f"waiting for the signal of {device}"


def held_question(report: LotReport) -> str:
    """Return what is asked about a device that may be another part, with the keys."""
    if not report.held:
        return ""
    run = report.held[0]
    device = brief_id(run.device)
    return (
        f"{device}: {printable(run.held)} It does not count until you answer. It "
        f"is meant and counts: F9. The wrong part, put the right {device} in: F2. Skip "
        "it: F3"
    )


def has_ended(run: LotRun) -> bool:
    """Whether nothing more is to come of a run."""
    return run.ended_how is not None or run.damaged


def is_told(run: LotRun) -> bool:
    """Whether a run has ended and how is known: its verdict comes a moment later."""
    return has_ended(run) and (
        run.word is not None or run.why_not_counted not in ("", NOT_JUDGED)
    )


def last_run(report: LotReport, position: str = "") -> LotRun | None:
    """Return the run begun last here that has ended, at a position or at any."""
    runs = report.begun or report.runs
    here = (run for run in reversed(runs) if position in ("", run.position))
    return next(filter(has_ended, here), None)


def figures_line(
    last: LotRun | None, report: LotReport, *, busy: bool, several: bool = False
) -> str:
    """Return device and figures of the verdict that is shown."""
    if last is None or busy:
        return ""
    if not last.counts:
        return f"- {brief_id(last.device)} {_not_counted(last)}"
    offset = format_ppm(last.offset_ppm, last.u_ppm)
    damaged = ", damaged" if last.damaged else ""
    at = f"{printable(last.position)}: " if several else ""
    name = f"{symbol_of(report.word_of(last))} {brief_id(last.device)}"
    code = report.codes.get(last.run)
    left = "" if code is None else f"  code {code}"
    return (
        f"{at}{name}{damaged}{left}  {offset} ± "
        f"{format_u_ppm(last.u_ppm)} ppm, limit ±{as_stated(last.limit_ppm or 0)} ppm"
    )


def _not_counted(run: LotRun) -> str:
    return printable(does_not_count_text(run.why_not_counted))


def rings(run: LotRun, word: Decision) -> int:
    """Return how often the bell rings for the verdict of a run."""
    return _RINGS[word] if run.counts else 0


def devices(report: LotReport) -> str:
    """Return the devices so far, the newest last; those set aside are marked."""
    lines = []
    for run in report.runs:
        if not run.counts and run.ended_how is None:
            continue
        offset = format_ppm(run.offset_ppm, run.u_ppm)
        damaged = ", damaged" if run.damaged else ""
        word = report.word_of(run)
        said, sign = f"{word}{damaged}", symbol_of(word)
        if why := report.why_not(run):
            sign, said = "-", printable(does_not_count_text(why))
        name = brief_id(run.device, _ROW_CELLS).ljust(_ROW_CELLS)
        code = f"  code {report.codes[run.run]:>4}" if run.run in report.codes else ""
        lines.append(f"{sign} {name}{code} {offset:>12} ppm  {said}")
    return "\n".join(lines)


def newest_counts(report: LotReport | None) -> str:
    """Say what measuring a device of the lot again would do."""
    said = "Its newest run will count; both are kept."
    if report is None or report.plan is None or report.standing.remaining:
        return said
    size = _plan(report).sample_size
    return f"The sample of {size} is complete: no device is added. {said}"


def answered(request: Request, answer: Answer) -> str:
    """Say what came of asking the keeper."""
    if not answer.ok:
        return f"not done: {answer.error or 'the keeper gave no reason'}"
    if request.do == "device":
        return ""
    said = str(answer.data.get("said", f"{request.do} {request.text}"))
    return _DONE.get(request.do, said)
