"""Why a verdict is what it is, in plain words."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchlog.analysis.outliers import AROUND, SCORE
from benchlog.analysis.stats import RunStats
from benchlog.model import Word
from benchlog.units import format_ppm, format_u_ppm, three_digits
from benchlog.verdict.decide import word_for

if TYPE_CHECKING:
    from benchlog.verdict.judge import Assessment, Outliers


def mostly_suspect(stats: RunStats) -> bool:
    """Whether most readings lie near a simple multiple of nominal."""
    return stats.n > 0 and 2 * stats.n_suspect > stats.n


def reasons_for(a: "Assessment") -> Iterator[str]:
    """Yield the reasons, the most telling first."""
    stats = a.stats
    if mostly_suspect(stats):
        yield (
            f"{stats.n_suspect} of {stats.n} readings lie near a simple multiple of "
            "nominal: check divider / trigger level"
        )
    elif stats.n_suspect:
        yield (
            f"{stats.n_suspect} of {stats.n} readings are suspect (near a simple "
            "multiple of nominal) and are counted"
        )
    if a.outliers is not None:
        yield from _outliers(a.outliers, stats)
    if a.offset_ppm is None or a.budget is None:
        yield _too_few(stats)
    elif not a.limit.known:
        yield "no limit is known for this part: there is nothing to judge it by"
    else:
        yield _comparison(a)
    if a.jitter is not None:
        yield a.jitter.text
    yield from a.limit.reasons
    if a.timebase.status == "assumed":
        yield f"time base {a.timebase.text}"
    if stats.gaps:
        yield f"{stats.gaps} gaps: averages need at least half of their readings"
    if stats.n_typed_ambient:
        yield "ambient temperature is what the operator stated"
    if stats.n_settling:
        yield (
            f"{stats.n_settling} readings from before the device had settled are kept "
            "and left out"
        )
    if stats.simulated:
        yield "simulated data"


def _outliers(found: "Outliers", stats: RunStats) -> Iterator[str]:
    if found.n > stats.n_suspect:
        yield (
            f"{found.n} of {stats.n} readings are outliers (suspect, or further than "
            f"{SCORE:g} times the scatter and {found.floor_ppm:,.10g} ppm from the "
            f"median of the {AROUND} readings around them) and are counted"
        )
    if found.decide:
        rest = found.without
        jitter = rest.stats.jitter_ppm_rms
        said = "" if jitter is None else f", jitter {three_digits(jitter)} ppm rms"
        yield (
            f"these readings decide: with them {found.with_them}, without them "
            f"{rest.word} (offset {format_ppm(rest.offset_ppm, rest.u_ppm)} +- "
            f"{format_u_ppm(rest.u_ppm)} ppm{said}); find out what they are"
        )


def _too_few(stats: RunStats) -> str:
    if stats.n < 2:
        count = "no reading" if stats.n == 0 else "1 reading"
        return f"{count} so far: at least 2 are needed to tell how they scatter"
    return (
        f"{stats.n} readings and no two of them follow each other: nothing can be "
        "said of how they scatter"
    )


def _comparison(a: "Assessment") -> str:
    said = f"offset {format_ppm(a.offset_ppm, a.u_ppm)} +- {format_u_ppm(a.u_ppm)} ppm"
    limit = f"+-{a.limit.ppm:,.10g} ppm ({a.limit.text})"
    assert a.offset_ppm is not None and a.u_ppm is not None
    match word_for(a.offset_ppm, a.u_ppm, a.limit.ppm):
        case Word.PASS:
            return f"{said} lies within {limit}, uncertainty included"
        case Word.FAIL:
            return f"{said} lies outside {limit}, even with the uncertainty"
        case _:
            return f"{said} overlaps the limit {limit}: too near to tell"
