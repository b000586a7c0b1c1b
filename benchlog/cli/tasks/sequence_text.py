"""Sequences and their plans in plain text: steps, what they set, how long they take."""

from collections.abc import Iterator, Sequence

from benchlog.model import DRIVE_UNITS, DrivePlace, Loop, Step, Target
from benchlog.model import Sequence as TestSequence
from benchlog.units import as_stated, format_duration
from benchlog.verdict.rack.durations import ExpectedStep

STEP_HEADERS = ("step", "sets", "settles", "waits", "measures")
PLAN_HEADERS = ("", "step", "sets", "begins after", "takes", "measures")


def step_rows(sequence: TestSequence) -> Iterator[tuple[str, ...]]:
    """Yield a row for each step, as it is written; a loop has a row before its own."""
    for one in sequence.steps:
        if isinstance(one, Loop):
            pace = f", one every {format_duration(one.every_s)}" if one.every_s else ""
            yield (f"{one.times} times{pace}:", "", "", "", "")
            for step in one.steps:
                name, *rest = _row(step)
                yield (f"  {name}", *rest)
        else:
            yield _row(one)


def plan_rows(expected: Sequence[ExpectedStep]) -> Iterator[tuple[str, ...]]:
    """Yield a row for each step of a plan, with its numbers and its time."""
    for one in expected:
        planned = one.planned
        sets = [f"{as_stated(o.value, 6)} {o.unit}" for o in planned.orders]
        yield (
            str(planned.index + 1),
            planned.name,
            ", ".join(_with_power(sets, planned.step)) or "-",
            format_duration(round(one.begin_s)),
            format_duration(round(one.whole_s)),
            _measures(planned.step),
        )


def _row(step: Step) -> tuple[str, ...]:
    sets = [_target(target) for target in step.targets]
    ramp = step.ramp_per_min
    if ramp is not None:
        sets.append(f"at most {as_stated(ramp)} C/min")
    settles = format_duration(step.at_most_s) if step.settle else "-"
    waits = format_duration(step.wait_s) if step.wait_s and not step.anew else "-"
    said = ", ".join(_with_power(sets, step)) or "-"
    settles = f"within {settles}, else {step.late}" if step.settle else "-"
    return step.name, said, settles, waits, _measures(step)


def _with_power(sets: list[str], step: Step) -> list[str]:
    if step.power is None:
        return sets
    if step.anew:
        off = format_duration(step.wait_s)
        return [f"power off for {off} and on, for each device", *sets]
    return [f"power {'on' if step.power else 'off'}", *sets]


def _measures(step: Step) -> str:
    if not step.gates:
        return "-"
    said = f"{step.gates} gate{'' if step.gates == 1 else 's'}"
    if step.scan_s and step.anew:
        return f"until it runs, {format_duration(step.scan_s)} at most"
    return f"{said} for {format_duration(step.scan_s)}" if step.scan_s else said


def _target(target: Target) -> str:
    unit = DRIVE_UNITS[target.drive]
    place = target.place
    if place.value is not None:
        return f"{target.drive} {as_stated(place.value)} {unit}"
    return f"{target.drive} {_place(place)}"


def _place(place: DrivePlace) -> str:
    begin, end = place.between
    if begin == end or place.share == 0:
        return begin
    if place.share == 1:
        return end
    return f"{as_stated(100 * place.share, 3)} % from {begin} to {end}"
