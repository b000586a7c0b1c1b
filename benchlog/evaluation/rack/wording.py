"""What a qualification found, in words: figures, verdict, where, of how many."""

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Final

from benchlog.evaluation.rack_study import (
    Qualification,
    QualifiedDevice,
    known_plan,
)
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Decision
from benchlog.units import (
    as_stated,
    format_u_ppm,
    interval_texts,
    printable,
    two_digits,
)
from benchlog.verdict.rack.findings import AT_LEAST, FoundCharacteristic

HEADS: Final = ("characteristic", "found", "U (95 %)", "limit", "")
"""Of `line_cells`."""
_PLACE: Final = {
    "offset-at-reference": "C",
    "retrace": "C",
    "frequency-temperature": "C",
    "temperature-slope": "C",
    "hysteresis": "C",
    "activity-dips": "C",
    "supply": "V",
    "load": "pF",
}
"""The unit of where a characteristic was found; others have no place."""
_EITHER_WAY: Final = frozenset({"offset-at-reference", "retrace", "ageing"})
"""Characteristics whose limit holds either way."""
_MOST_STEPS: Final = 3
"""Steps that are named in a line; our rule: the table of steps has all."""


def line_cells(line: FoundCharacteristic) -> tuple[str, ...]:
    """Return the cells of one characteristic, as `HEADS` names them."""
    return (line.name, *figures(line), said(line))


def figures(line: FoundCharacteristic) -> tuple[str, str, str]:
    """Return value, U and limit with their unit; a dash where there is none."""
    limit = "-" if line.limit is None else f"{limit_text(line)} {line.unit}"
    if line.value is None or line.u is None:
        return "-", "-", limit
    value, u = value_and_u(line.value, line.u, signed=line.name in _EITHER_WAY)
    return f"{value} {line.unit}", u, limit


def value_and_u(value: float, u: float, *, signed: bool) -> tuple[str, str]:
    """Return a value to the digits that its U is worth, and U as the value is written.

    Powers of ten stand beside powers of ten. `signed`: it may lie on either side.
    """
    if value == 0:
        return "0", two_digits(u)
    said = interval_texts(value, value - u, value + u, signed=signed)[0]
    return said, two_digits(u) if "e" in said else format_u_ppm(u)


def nearest_to_limit(one: QualifiedDevice) -> str:
    """Return the characteristic that uses up most of what is promised; may be empty."""
    judged = [(_used(line), line) for line in one.found if line.verdict is not None]
    used, line = max(judged, key=lambda pair: pair[0], default=(0.0, None))
    if line is None or used <= 0:
        return ""
    value, _, limit = figures(line)
    return f"{line.name} {value}, {limit}"


def _used(line: FoundCharacteristic) -> float:
    """Return which share of its limit a value uses up; 0 where nothing is known."""
    if line.value is None or not line.limit:
        return 0.0
    share = abs(line.value / line.limit)
    return share if line.name not in AT_LEAST else 1 / max(share, 1e-9)


def limit_text(line: FoundCharacteristic) -> str:
    """Return the limit and which way it holds, without its unit."""
    if line.limit is None:
        return "-"
    if line.name in AT_LEAST:
        return f">= {as_stated(line.limit)}"
    sign = "+-" if line.name in _EITHER_WAY else "<= "
    return f"{sign}{as_stated(line.limit)}"


def said(line: FoundCharacteristic) -> str:
    """Return the verdict in capitals, then what else is to be known."""
    word = "" if line.verdict is None else str(line.verdict).upper()
    return "  ".join(part for part in (word, where(line)) if part)


def where(line: FoundCharacteristic) -> str:
    """Return how a characteristic was found; else where, if it has a place."""
    unit = _PLACE.get(line.name)
    if line.text or line.at is None or unit is None:
        return line.text
    return f"at {as_stated(round(line.at, 2))} {unit}"


def device_facts(
    one: QualifiedDevice, not_counted: str = ""
) -> Iterator[tuple[str, str]]:
    """Yield label and text of what a sequence found of a device as a whole.

    `not_counted` tells why its run does not count, and is in the verdict's place then.
    """
    plan = known_plan(one.run)
    done = f"{one.steps_done} of {len(plan.steps)} steps measured"
    yield "sequence", f"{printable(plan.sequence)}: {printable(plan.title)}\n{done}"
    readings = sum(len(point.offsets_ppm) for point in one.points)
    unsettled = sum(not point.turn.settled for point in one.points)
    late = f", {unsettled} of them before the point had settled" if unsettled else ""
    yield "readings", f"{readings:,} in {len(one.points):,} turns{late}"
    word = one.verdict.upper()
    lines = [f"{symbol_of(one.verdict)} {word}"]
    if not_counted:
        lines = [f"- {printable(not_counted)}", f"by what was found: {word}"]
    lines += [printable(why) for why in reasons(one)]
    if one.run.simulated:
        lines.append("simulated data")
    yield "verdict", "\n".join(lines)


def verdict_counts(words: Iterable[Decision]) -> str:
    """Return how many have each verdict: `3 pass, 1 undecided`."""
    counts = Counter(words)
    return ", ".join(f"{counts[word]} {word}" for word in Decision if counts[word])


def steps_text(found: Qualification) -> str:
    """Return how far a sequence went."""
    return f"{found.steps_done} of {len(found.plan.steps)} steps measured"


def reasons(one: QualifiedDevice) -> Iterator[str]:
    """Yield why a device is not passed, then what its figures may still hold.

    That is each line that fails or is undecided, and the steps that measure settled
    devices where it had not settled in time.
    """
    for line in one.found:
        if line.verdict in (None, Decision.PASS):
            continue
        value, u, limit = figures(line)
        why = f" ({line.text})" if line.text else ""
        yield f"{line.name} {line.verdict}: {value} +- {u}, limit {limit}{why}"
    if late := late_text(one):
        yield late


def late_text(one: QualifiedDevice) -> str:
    """Say which steps were measured before the device had settled; empty for none."""
    late = [
        point.step.name
        for point in one.points
        if not point.turn.settled and point.step.gates and point.step.scan_s is None
    ]
    if not late:
        return ""
    named = ", ".join(late[:_MOST_STEPS])
    more = f" and {len(late) - _MOST_STEPS} more" if len(late) > _MOST_STEPS else ""
    return (
        f"measured before it had settled: {named}{more}; what was still moving may "
        "be in the figures"
    )
