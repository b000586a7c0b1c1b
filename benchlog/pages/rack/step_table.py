"""The steps of a sequence as a table: what was set, when, and what was amiss."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from benchlog.evaluation.rack.timeline import PassedStep
from benchlog.model import Event, EventKind
from benchlog.model.sequences import DRIVE_UNITS, Drive
from benchlog.pages.content import Block, Prose, outside, table, whole_utc
from benchlog.units import NS_PER_S, as_stated, format_duration

_MOST: Final = 120  # our rule: what still reads as a table on paper
_EVENTS: Final = 100


def step_blocks(steps: Sequence[PassedStep]) -> Iterator[Block]:
    """Yield the steps; of very many, the first, the last and those with a remark."""
    kept = list(steps)
    if len(steps) > _MOST:
        last = steps[-1].record.index
        kept = [s for s in steps if s.record.index in (0, last) or remark(s)][:_MOST]
    rows = [
        (
            one.record.index + 1,
            one.record.name,
            state_text(one),
            "" if one.begun_utc_ns is None else whole_utc(one.begun_utc_ns)[:19],
            took(one),
            one.turns or "",
            remark(one),
        )
        for one in kept
    ]
    headers = ("No.", "Step", "Set to", "Begun, UTC", "Took", "Turns", "Remark")
    yield table("Steps of the sequence", headers, rows, "rllrrr")
    if len(kept) < len(steps):
        left = len(steps) - len(kept)
        yield Prose((f"{left} more steps are left out: nothing was amiss in them.",))


def state_text(one: PassedStep) -> str:
    """Return where the drives are in a step: `25 C, 3.3 V`; `off` without power."""
    said = [
        f"{as_stated(round(value, 2))} {DRIVE_UNITS[Drive(drive)]}"
        for drive, value in one.record.state.items()
        if drive in DRIVE_UNITS
    ]
    return ", ".join(said if one.record.powered else [*said, "power off"])


def took(one: PassedStep) -> str:
    """Return how long a step took; empty as long as it is not over."""
    if one.begun_utc_ns is None or one.over_utc_ns is None:
        return ""
    return format_duration(round((one.over_utc_ns - one.begun_utc_ns) / NS_PER_S))


def remark(one: PassedStep) -> str:
    """Return what was amiss in a step; empty when nothing was."""
    if one.begun_utc_ns is None:
        return "not reached"
    said = ["not over"] if one.over_utc_ns is None else []
    if one.unsettled:
        said.append(
            "not settled when it was measured"
            if one.turns == one.unsettled
            else f"{one.unsettled} of {one.turns} turns not settled"
        )
    if one.silent and one.record.scan_s is None:
        said.append("no signal")
    if not one.turns and one.record.gates and one.over_utc_ns is not None:
        said.append("not measured")
    return ", ".join(said)


def setter_blocks(events: Iterable[Event]) -> Iterator[Block]:
    """Yield what setters did or did not do as they were told."""
    told = [event for event in events if event.kind == EventKind.SETTER]
    rows = [
        (whole_utc(one.utc_ns)[:19], outside(one.instrument), outside(one.text))
        for one in told[:_EVENTS]
    ]
    yield table("What setters told", ("UTC", "Setter", "What"), rows)
    if len(told) > _EVENTS:
        yield Prose((f"{len(told) - _EVENTS} more events are in the database.",))
