"""How a run stands, in a line each: what only a screen has to say. Pure functions."""

import math
from typing import Final

from benchlog.evaluation.brief_wording import in_hz
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import DOES_NOT_COUNT, Decision, Purpose, Run, does_not_count_text
from benchlog.model.counting import LEFT_OPEN, NOT_ENDED
from benchlog.screen.run_status import GONE, RunStatus
from benchlog.units import (
    as_stated,
    counted,
    format_duration,
    format_frequency,
    format_u_ppm,
    printable,
)
from benchlog.verdict import Assessment

_CHECK: Final = "time base check"


def verdict_text(word: str | None) -> str:
    """Return the verdict as a symbol and a word: `✓ pass`; empty when there is none."""
    return f"{symbol_of(word)} {word}" if word and symbol_of(word) else ""


def run_verdict(run: Run) -> str:
    """Return the verdict of a run; that it does not count, or judges no device."""
    if not_counted(run):
        return DOES_NOT_COUNT
    if run.made_for is Purpose.REFCHECK:
        return _CHECK
    return verdict_text(Decision.FAIL if run.damaged else run.verdict)


def not_counted(run: Run, *, live: bool | None = None) -> str:
    """Say that a run does not count, and why; empty where it counts, or still may.

    `live`: whether it goes on, where that is known; else an open run may.
    """
    why = run.why_not_counted
    if why == NOT_ENDED:
        is_gone = run.ended_how == GONE if live is None else not live
        why = LEFT_OPEN if is_gone else ""
    return printable(does_not_count_text(why))


def beside_offset(
    a: Assessment | None, nominal_hz: float, live: bool
) -> tuple[str, str, str]:
    """Return the lines beside the large figure: unit, U, and the same in Hz."""
    if a is None or a.offset_ppm is None:
        return "ppm offset", "no reading yet" if live else "no reading", ""
    if a.u_ppm is None:
        return "ppm offset", "U not known yet", in_hz(a, nominal_hz)
    return "ppm offset", f"± {format_u_ppm(a.u_ppm)} (95 %)", in_hz(a, nominal_hz)


def count_text(standing: RunStatus) -> str:
    """Return how many readings there are, and how many gaps."""
    a = standing.assessment
    pulses = a is not None and a.timing is not None
    readings = f"{standing.readings:,} {'pulses' if pulses else 'readings'}"
    if standing.readings < 2:
        return ("no reading", "1 reading")[standing.readings]
    if a is None:
        return readings
    gaps = a.stats.gaps
    return f"{readings}, {'no gap' if not gaps else f'{gaps:,} gap' + 's' * (gaps > 1)}"


def time_texts(standing: RunStatus) -> tuple[str, ...]:
    """Return how long it has lasted and what is left of the plan, the longest first."""
    text = format_duration(math.floor(standing.elapsed_s))
    if not standing.live:
        return (f"took {text}",)
    left = _left(standing)
    if standing.run.until_clear:
        most = f" ({', '.join(left)} left)" if left else ""
        until = f"{text}, until the verdict is clear"
        short = (f"{text}, until clear", text)
        return (until + most, until, *short) if most else (until, *short)
    if not left:
        return f"{text}, until stopped", text
    return tuple(f"{text}, {said} left" for said in (" or ".join(left), left[-1]))


def _left(standing: RunStatus) -> list[str]:
    """Return what is left of the planned readings and of the planned time."""
    left = []
    most, most_s = standing.run.max_readings, standing.run.max_s
    if most is not None:
        left.append(counted(max(0, most - standing.readings), "reading"))
    if most_s is not None:
        left_s = math.ceil(max(0.0, most_s - math.floor(standing.elapsed_s)))
        left.append(format_duration(left_s))
    return left


def who_simulates(standing: RunStatus) -> str:
    """Return SIMULATED with the names of the instruments that are; empty if none."""
    run, a = standing.run, standing.assessment
    if not (run.simulated or (a is not None and a.stats.simulated)):
        return ""
    names = [name for name, who in run.identities.items() if who.simulated]
    return printable(" ".join(["SIMULATED", ", ".join(names)])).strip()


def part_text(standing: RunStatus) -> str:
    """Return run, part, nominal frequency, position and bench in one line."""
    run = standing.run
    divided = (
        "" if run.divider == 1 else f" (counted divided by {as_stated(run.divider)})"
    )
    parts = [
        f"run {run.id}, {run.purpose}",
        f"{run.part.id}, {format_frequency(run.nominal_hz)}{divided}",
        f"position {run.position}",
        f"bench {run.bench}",
    ]
    if run.lot:
        parts.insert(2, f"lot {run.lot}")
    if run.operator:
        parts.append(f"by {run.operator}")
    return printable(" · ".join(parts))
