"""Stability over time in words and as a document."""

import math
from typing import Any

from benchlog.analysis.stability.changes import StabilityChange
from benchlog.analysis.stability.over_time import StabilityOverTime
from benchlog.units import as_stated, format_duration, iso_utc, three_digits


def over_time_text(
    found: StabilityOverTime, begun_utc_ns: int | None = None
) -> tuple[str, ...]:
    """Return what changed over the run, a sentence for each change.

    `begun_utc_ns` is when the first reading was made, None where nobody knows.
    """
    if found.changes:
        return tuple(_change(found, one, begun_utc_ns) for one in found.changes)
    return (
        f"No change of the {found.kind} at {_span(found.tau_s[0], found.tau_s[-1])} "
        "that chance would not give, from one stretch of "
        f"{format_duration(found.window_s)} to another.",
    )


def _change(
    found: StabilityOverTime, one: StabilityChange, begun_utc_ns: int | None
) -> str:
    went = "rose" if one.ratio > 1.0 else "fell"
    size = (
        f"from {three_digits(one.before, powers=True)} to "
        f"{three_digits(one.within, powers=True)} ({three_digits(one.ratio)} times, "
        f"{three_digits(one.low)} to {three_digits(one.high)})"
    )
    begin = _moment(one.begin_s, begun_utc_ns)
    when = f"at {begin}"
    if not one.lasting:
        when = f"from {begin} to {_moment(one.end_s, begun_utc_ns)}"
    elsewhere = ""
    if one.tau_to_s > one.tau_from_s:
        elsewhere = f"; it shows at {_span(one.tau_from_s, one.tau_to_s)}"
    return (
        f"The {found.kind} at {as_stated(one.tau_s, 4)} s {went} {size} {when}, to "
        "the nearest "
        f"{format_duration(found.window_s)}{elsewhere}."
    )


def _moment(at_s: float, begun_utc_ns: int | None) -> str:
    said = format_duration(at_s)
    if begun_utc_ns is None:
        return said
    utc = iso_utc(begun_utc_ns + round(at_s * 1e9))
    assert utc is not None
    return f"{said} ({utc[:16].replace('T', ' ')} UTC)"


def _span(from_s: float, to_s: float) -> str:
    return f"{as_stated(from_s, 4)} to {as_stated(to_s, 4)} s"


def over_time_document(
    found: StabilityOverTime, run: int, begun_utc_ns: int | None, *, simulated: bool
) -> dict[str, Any]:
    """Return the map as plain values for JSON; what is not known is None."""
    return {
        "run": run,
        "kind": found.kind,
        "tau0_s": found.tau0_s,
        "window_s": found.window_s,
        "begun_utc": iso_utc(begun_utc_ns),
        "t_s": found.t_s.tolist(),
        "tau_s": found.tau_s.tolist(),
        "values": _plain(found.values.tolist()),
        "low": _plain(found.low.tolist()),
        "high": _plain(found.high.tolist()),
        "changes": [_change_document(one) for one in found.changes],
        "text": list(over_time_text(found, begun_utc_ns)),
        "simulated": simulated,
    }


def _plain(rows: list[list[float]]) -> list[list[float | None]]:
    return [[None if math.isnan(x) else x for x in row] for row in rows]


def _change_document(one: StabilityChange) -> dict[str, Any]:
    return {
        "begin_s": one.begin_s,
        "end_s": one.end_s,
        "lasting": one.lasting,
        "tau_s": one.tau_s,
        "tau_from_s": one.tau_from_s,
        "tau_to_s": one.tau_to_s,
        "before": one.before,
        "within": one.within,
        "ratio": {"value": one.ratio, "low": one.low, "high": one.high},
        "chance": one.chance,
    }
