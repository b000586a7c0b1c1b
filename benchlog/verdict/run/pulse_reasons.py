"""Why a verdict from pulses is what it is, in plain words."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchlog.analysis.pulses.grid import PulseCounts
from benchlog.analysis.pulses.slope import FEWEST
from benchlog.model import Decision, Part
from benchlog.units import format_duration, format_u_ppm
from benchlog.verdict.run.reasons import NO_LIMIT, comparison, other_part_of
from benchlog.verdict.timebase.known_timebase import RATIO, is_coarse

if TYPE_CHECKING:
    from benchlog.verdict.run.assessment import Assessment
    from benchlog.verdict.run.pulse_timing import Timing


def pulse_reasons(a: "Assessment", part: Part) -> Iterator[str]:
    """Yield the reasons, the most telling first."""
    timing = a.timing
    assert timing is not None
    if said := a.doubt or other_part_of(a):
        yield said
    if a.offset_ppm is None or a.budget is None:
        yield _too_few(timing)
    elif not a.limit.known:
        yield NO_LIMIT
    else:
        yield comparison(a)
    yield from _when(a, timing)
    yield from _faults("", timing.counts, timing.set_aside)
    if timing.reference is not None:
        yield from _faults("reference: ", timing.reference, timing.reference_set_aside)
    if part.limits.jitter_ppm is not None:
        yield "the part's jitter limit is for gated readings and was not judged"
    yield from a.limit.reasons
    if a.timebase.status == "assumed":
        yield f"time {a.timebase.text}"
    if is_coarse(a.timebase, a.limit):
        known = format_u_ppm(2 * a.timebase.u_ppm)
        yield (
            f"{timing.against}, known to +-{known} ppm, is coarser "
            f"than {RATIO:g}:1 for a limit of +-{a.limit.ppm:.10g} ppm"
        )
    if a.stats.n_typed_ambient:
        yield "ambient temperature is what the operator stated"
    if a.stats.simulated:
        yield "simulated data"


def _too_few(timing: "Timing") -> str:
    ours, theirs = timing.counts.good, timing.reference
    said = f"{ours} good pulses of the device"
    if theirs is not None:
        said += f" and {theirs.good} of the reference"
    return f"{said} so far: at least {FEWEST} are needed"


def _when(a: "Assessment", timing: "Timing") -> Iterator[str]:
    if a.word is not Decision.UNDECIDED or a.budget is None or not a.limit.known:
        return
    if timing.judged_in_s is not None:
        left = format_duration(math.ceil(timing.judged_in_s))
        yield f"about {left} more until it can be judged"
    elif not timing.by_itself:
        yield (
            f"{timing.against} is not known well enough to judge this, however long "
            "the run: use a better reference"
        )


def _faults(whose: str, counts: PulseCounts, set_aside: int) -> Iterator[str]:
    named = {
        "missed": counts.missed,
        "doubled": counts.doubled,
        "bouncing": counts.bounced,
        "early": counts.early,
        "late": counts.late,
        "too far from the line": set_aside,
    }
    said = [f"{number} {name}" for name, number in named.items() if number]
    if said:
        yield f"{whose}pulses set aside or absent: {', '.join(said)}"
    if counts.no_fix:
        yield f"{whose}{counts.no_fix} pulses without a fix do not count"
    if counts.unseen:
        yield f"{whose}{counts.unseen} pulses were counted by the line and not stamped"
    if counts.blocks > 1:
        lost = counts.blocks - 1
        often = "once" if lost == 1 else f"{lost} times"
        yield f"{whose}phase was lost {often}, and not counted across"
