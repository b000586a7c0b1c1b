"""The first events of a run that is gone on with, and the time that it has by then."""

from collections.abc import Iterator
from dataclasses import replace

from benchlog.clock import Clock
from benchlog.evaluation.run_time.segment_clock import mark_now
from benchlog.evaluation.run_time.steady_time import SteadyTime
from benchlog.model import Event, EventKind, RunPlan
from benchlog.recorder.run.resume import Resumed
from benchlog.units import NS_PER_S
from benchlog.verdict.run.judges import AnyJudge
from benchlog.verdict.run.reading_judge import RunJudge


def short_ns(known: SteadyTime, clock: Clock) -> tuple[int, int]:
    """Return by how much UTC is short of a run's own time now, and what was set of it.

    In ns, as `SteadyTime.onward` does.
    """
    raw = mark_now(clock)
    now = Event(clock.utc_ns(), clock.mono_ns(), EventKind.GAP, "", raw=raw)
    return known.onward(now)


def age_ns(old: Resumed, clock: Clock) -> int:
    """Return how old a run is, whatever the wall clock was set to meanwhile."""
    short, _ = short_ns(old.clock, clock)
    return max(0, clock.utc_ns() + short - old.run.started_utc_ns)


def plan_now(old: Resumed, clock: Clock) -> RunPlan:
    """Return the plan to go on by; a length that was given counts from now."""
    if old.more_s is None:
        return old.plan
    return replace(old.plan, max_s=age_ns(old, clock) / NS_PER_S + old.more_s)


def know_segment(judge: AnyJudge, segment_id: int, old: Resumed, clock: Clock) -> None:
    """Tell a run's judge what the UTC of its new segment lacks."""
    short, _ = short_ns(old.clock, clock)
    if short and isinstance(judge, RunJudge):
        judge.segment_shifts_ns = {**judge.segment_shifts_ns, segment_id: short}


def first_events(old: Resumed, clock: Clock) -> Iterator[tuple[str, str, bytes]]:
    """Yield kind, text and raw octets of what tells of the time between."""
    _, set_ns = short_ns(old.clock, clock)
    by = f"{set_ns / NS_PER_S:+.3f} s"
    meanwhile = f", by a clock that was stepped by {by} meanwhile" if set_ns else ""
    yield EventKind.GAP, old.gap + meanwhile, mark_now(clock)
    if set_ns:
        text = f"the wall clock was stepped by {by} while nothing was kept"
        yield EventKind.CLOCK_STEP, text, b""
    if old.alarms:
        yield EventKind.ALARM_UNSENT, old.alarms, b""
