"""Where a sequence that was cut is gone on with, and how devices are brought there.

Until it is gone on with, devices are without power and the chamber stands where nobody
sent it. What a step finds depends on what was before it: on which side the temperature
came from, and for how long there was power. So that is gone through again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchlog.model import Drive
from benchlog.verdict.rack.planned_steps import PlannedStep


@dataclass(frozen=True, slots=True, kw_only=True)
class WayBack:
    """How devices are brought back before a step is begun again.

    `there` is the state they are to settle in, `powered_s` for how long they have had
    power then, at least, in bench seconds.
    """

    there: PlannedStep
    powered_s: float


def first_again(steps: Sequence[PlannedStep], cut: int) -> int:
    """Return the step to begin with where the step at `cut` is not over.

    One that switches devices on belongs to the time without power before it.
    """
    first = min(cut, len(steps))
    while 0 < first < len(steps) and _needs_time_off(steps, first):
        first -= 1
    return first


def way_back(steps: Sequence[PlannedStep], first: int) -> WayBack | None:
    """Return how to come to the state before step `first`; None where there is none."""
    if not 0 < first < len(steps):
        return None
    before = steps[first - 1]
    state = dict(before.state)
    if (turn_c := turning_point(steps, first)) is not None:
        state[Drive.TEMPERATURE] = turn_c
    return WayBack(
        there=replace(before, state=state, orders=()),
        powered_s=_powered_s(steps, first) if before.powered else 0.0,
    )


def turning_point(steps: Sequence[PlannedStep], at: int) -> float | None:
    """Return the temperature from which a step's was come to without turning round.

    None where temperature did not change up to that step.
    """
    places = [s.state.get(Drive.TEMPERATURE) for s in steps[: at + 1]]
    known = [place for place in places if place is not None]
    way = 0.0
    turn: float | None = None
    for later, earlier in zip(known[:0:-1], known[-2::-1], strict=True):
        moved = later - earlier
        if moved * way < 0:
            break
        if moved:
            way, turn = moved, earlier
    return turn


def _needs_time_off(steps: Sequence[PlannedStep], at: int) -> bool:
    off_before = not steps[at - 1].powered
    return off_before and (steps[at].step.power is True or not steps[at].powered)


def _powered_s(steps: Sequence[PlannedStep], first: int) -> float:
    """Return what the step that switched power on last waited and measured for."""
    for one in reversed(steps[:first]):
        if one.step.power:
            return one.step.wait_s + (one.step.scan_s or 0.0)
    return 0.0
