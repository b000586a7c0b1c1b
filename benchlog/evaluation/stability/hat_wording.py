"""The own stability of devices measured together, in words: terminal and page alike."""

import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from string import ascii_uppercase
from typing import Final

from benchlog.analysis.stability.cornered_hat import HatRow, OwnDeviation
from benchlog.evaluation.stability.hat_study import HatStudy
from benchlog.units import as_stated, printable, three_digits, two_digits

_SIDE_BY_SIDE: Final = (
    3  # our rule: so many devices fit beside each other in 80 columns
)


def letter(number: int) -> str:
    """Return the letter of a device in charts: A ... Z, then A2 ..."""
    again, at = divmod(number, len(ascii_uppercase))
    return ascii_uppercase[at] + (str(again + 1) if again else "")


def device_names(study: HatStudy) -> tuple[str, ...]:
    """Return the devices as they are called: letter, id and run."""
    return tuple(
        f"{letter(k)} {printable(run.device)}, run {run.id}"
        for k, run in enumerate(study.runs)
    )


def own_text(own: OwnDeviation) -> str:
    """Return a figure with its 95 % interval, `1.23 (1.10 to 1.41)e-9`, or a bound."""
    if own.value is None:
        return f"below {two_digits(own.high, powers=True)}"
    exponent = math.floor(math.log10(own.value))
    value, low, high = (
        f"{x:.2f}" if x < 9.995 else f"{x:.1f}"
        for x in (y / 10.0**exponent for y in (own.value, own.low, own.high))
    )
    return f"{value} ({low} to {high})e{exponent:+d}"


def hat_table(study: HatStudy) -> tuple[tuple[str, ...], list[tuple[str, ...]], str]:
    """Return heads, rows and how columns stand: a column or a row for each device."""
    rows = study.hat.rows
    if len(study.runs) <= _SIDE_BY_SIDE:
        heads = ("tau/s", *(letter(k) for k in range(len(study.runs))))
        cells = [
            (f"{as_stated(row.tau_s, 4)}", *map(own_text, row.own)) for row in rows
        ]
        return heads, cells, "r" + "l" * len(study.runs)
    cells = [
        (f"{as_stated(row.tau_s, 4)}" if k == 0 else "", letter(k), own_text(own))
        for row in rows
        for k, own in enumerate(row.own)
    ]
    return ("tau/s", "device", "own"), cells, "rll"


def hat_answers(study: HatStudy) -> tuple[str, ...]:
    """Return what came out for each device, a sentence each."""
    return tuple(
        f"{name}: {'; '.join(_said(study, k))}."
        for k, name in enumerate(device_names(study))
    )


def _said(study: HatStudy, k: int) -> Iterator[str]:
    rows = study.hat.rows
    known = [row for row in rows if row.own[k].resolved]
    if not known:
        low = min(rows, key=lambda row: row.own[k].high)
        yield (
            "not resolved, the others are too restless: below "
            f"{two_digits(low.own[k].high, powers=True)} at {as_stated(low.tau_s, 4)} s"
        )
        return
    first = known[0]
    kind, read = study.hat.kind, _read(study, first, k)
    yield f"own {kind} {_value(first, k)} at {as_stated(first.tau_s, 4)} s{read}"
    least = min(known, key=lambda row: _value_of(row, k))
    if least is not first:
        yield f"least {_value(least, k)} at {as_stated(least.tau_s, 4)} s"
    if len(known) < len(rows):
        times = [row.tau_s for row in known]
        yield f"resolved at {_times(times, [row.tau_s for row in rows])} only"


def _value_of(row: HatRow, k: int) -> float:
    return row.own[k].value or math.inf


def _value(row: HatRow, k: int) -> str:
    return three_digits(_value_of(row, k), powers=True)


def _read(study: HatStudy, row: HatRow, k: int) -> str:
    """Return what the run read at the same averaging time, all in."""
    alone = study.as_read[k]
    for one in () if alone is None else alone.rows:
        if one.m == row.m and one.value:
            return f" (as read {three_digits(one.value, powers=True)})"
    return ""


def _times(some: Sequence[float], every: Sequence[float]) -> str:
    """Return averaging times; three neighbours and more by the first and the last."""
    said = []
    places = enumerate(every.index(tau_s) for tau_s in some)
    for _, pairs in groupby(places, key=lambda pair: pair[1] - pair[0]):
        row = [as_stated(every[at], 4) for _, at in pairs]
        said += [f"{row[0]} to {row[-1]}"] if len(row) > 2 else row
    return f"{', '.join(said)} s"


def hat_rule(study: HatStudy) -> str:
    """Return how the figures were made, with which readings."""
    kind, skew_s = study.hat.kind, study.skew_s
    apart = f" (within {three_digits(skew_s)} s)" if skew_s > 0 else ""
    return (
        f"From {study.moments:,} readings of all runs at the same moments{apart}: "
        f"{kind} of the differences, N-cornered hat; 95 % intervals. "
        "What all runs share, such as the time base, is in none of the figures; what "
        "only one has, such as its own counter, is. Not resolved: the differences "
        "could come of no noise of that device at all, and its own is below what is "
        "stated."
    )
