"""The audit of a soak: the database against the instrument's and the driver's diaries.

* truth: what the simulated counter sent, with the value that was true (its own log);
* acknowledged: what the driver handed over, written down at that moment;
* the database: readings and events.

Times are the bench's monotonic ns. Where a fault is seen late (a frozen keeper, a busy
database), its event may be as late as `LATE_S` real seconds; it is never early.
"""

import json
from bisect import bisect_left
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np

from benchlog.model import EventKind, Flag
from benchlog.verdict.run.run_gaps import NO_CAUSE

SOUND = ("", "late")
LATE_S = 3.0
END_S = 0.5
"""What was handed over so shortly before the run was ended may have come too late."""
HELD_UP_S = 0.6
AROUND = 15
"""Spacings whose median tells the pace around a hole."""
ROOM_S = 30.0
"""Bench seconds that an ambient value may stand beside readings, and a little more."""


@dataclass
class Findings:
    """What the audit found; every list but the last three should be empty."""

    readings: int = 0
    acknowledged: int = 0
    gaps: int = 0
    lost: list = field(default_factory=list)
    lost_outside_gaps: list = field(default_factory=list)
    doubled: list = field(default_factory=list)
    unknown: list = field(default_factory=list)
    wrong: list = field(default_factory=list)
    wrong_ambient: list = field(default_factory=list)
    unexplained: list = field(default_factory=list)
    unmarked: list = field(default_factory=list)
    causes: Counter = field(default_factory=Counter)
    refused: list = field(default_factory=list)
    at_the_end: list = field(default_factory=list)
    untaken_ns: list = field(default_factory=list)

    @property
    def bad(self):
        """What must not be, by name; lost ones are for the caller to judge."""
        names = ("lost_outside_gaps", "doubled", "unknown", "wrong", "wrong_ambient",
                 "unexplained", "unmarked")  # fmt: skip
        return {name: getattr(self, name) for name in names if getattr(self, name)}


def lines(path):
    """Return the JSON lines of a file."""
    with open(path) as file:
        return [json.loads(line) for line in file if line.endswith("\n")]


def audit(reader, run_id, truth_path, acknowledged_path, scale):
    """Hold a run against both diaries."""
    found = Findings()
    columns = reader.columns_after(run_id)
    events = [event for _, event in reader.events(run_id)]
    acknowledged = {mono: (hz, raw) for mono, hz, raw in lines(acknowledged_path)}
    truth = lines(truth_path)
    counter = [one for one in truth if one["instrument"] == "counter"]
    room = [one for one in truth if one["instrument"] == "room"]
    found.readings, found.acknowledged = len(columns), len(acknowledged)
    _exactly_once(columns, events, acknowledged, scale, found)
    _true_values(columns, acknowledged, counter, scale, found)
    _true_ambient(columns, room, scale, found)
    _gaps(columns, events, scale, found)
    return found


def _exactly_once(columns, events, acknowledged, scale, found):
    times = Counter(columns.mono_ns.tolist())
    found.doubled = [mono for mono, count in times.items() if count > 1]
    refusals = defaultdict(list)
    for event in events:
        if event.kind == EventKind.REJECTED and event.raw:
            refusals[bytes(event.raw).decode()].append(event.mono_ns)
    ended = [e.mono_ns for e in events if e.kind == EventKind.ENDED]
    end_ns = ended[-1] - int(END_S * scale * 1e9) if ended else 2**63
    for mono, (_, raw) in acknowledged.items():
        if mono in times:
            continue
        if _taken_out(refusals[raw], mono, mono + int(LATE_S * scale * 1e9)):
            found.refused.append(mono)
        elif mono > end_ns:
            found.at_the_end.append(mono)
        else:
            found.lost.append(mono)
    for mono, hz in zip(columns.mono_ns.tolist(), columns.frequency_hz, strict=True):
        if mono not in acknowledged:
            found.unknown.append(mono)
        elif acknowledged[mono][0] != hz:
            found.wrong.append((mono, hz, acknowledged[mono][0]))
    gap_before = (columns.flags & Flag.GAP_BEFORE) != 0
    anew = np.diff(columns.segment, prepend=columns.segment[:1]) != 0
    for mono in found.lost:
        after = bisect_left(columns.mono_ns, mono)
        if after == len(columns) or not (gap_before[after] or anew[after]):
            found.lost_outside_gaps.append(mono)


def _taken_out(moments, first, last):
    """Take one moment within the range out of the list; whether there was one."""
    for place, at in enumerate(moments):
        if first <= at <= last:
            del moments[place]
            return True
    return False


def _true_values(columns, acknowledged, truth, scale, found):
    """Every reading is an answer of the counter, its gate just over, used once, true.

    An answer that was sent twice stands in the diary twice; the first is the reading's.
    """
    by_text = defaultdict(list)
    for place, one in enumerate(truth):
        by_text[one["text"]].append((one["mono_ns"], place))
    used = set()
    within_ns = int(LATE_S * 1e9 * scale)
    for mono, hz in zip(columns.mono_ns.tolist(), columns.frequency_hz, strict=True):
        text = acknowledged.get(mono, (0, ""))[1]
        near = [
            place
            for over, place in by_text[text]
            if place not in used and 0 <= mono - over < within_ns
        ]
        near.sort(key=lambda place: truth[place]["fault"] in SOUND)
        if not near:
            found.wrong.append((mono, hz, "the counter never said so"))
            continue
        one = truth[near[-1]]
        used.add(near[-1])
        true_hz = one["true_hz"]
        if one["fault"] not in SOUND or true_hz is None:
            found.wrong.append((mono, hz, one["fault"]))
        elif abs(hz / true_hz - 1) > 2e-7:
            found.wrong.append((mono, hz, true_hz))
    found.untaken_ns = [
        one["sent_ns"]
        for place, one in enumerate(truth)
        if place not in used and not one["fault"] and one["true_hz"] is not None
    ]


def _true_ambient(columns, room, scale, found):
    """Every ambient value is one that the thermometer gave shortly before."""
    sound = [one for one in room if one["fault"] in SOUND and one["text"]]
    by_value = defaultdict(list)
    for one in sound:
        by_value[float(one["text"])].append(one["mono_ns"])
    old_ns = int((ROOM_S + LATE_S * scale) * 1e9)
    late_ns = int(LATE_S * scale * 1e9)
    pairs = zip(columns.mono_ns.tolist(), columns.ambient_c.tolist(), strict=True)
    for mono, ambient_c in pairs:
        if not np.isnan(ambient_c) and not any(
            -late_ns <= mono - at <= old_ns for at in by_value[ambient_c]
        ):
            found.wrong_ambient.append((mono, ambient_c))


def held_against_gaps(columns, events, scale):
    """Hold a run against its events alone, where there is no diary."""
    found = Findings(readings=len(columns))
    _gaps(columns, events, scale, found)
    return found


def _gaps(columns, events, scale, found):
    """Every gap has an event of its own with a cause; no hole goes without a mark."""
    told = sorted((e.mono_ns, str(e.kind)) for e in events if e.kind not in NO_CAUSE)
    apart = np.diff(columns.mono_ns)
    usual = float(np.median(apart)) if len(apart) else 0.0
    same = np.diff(columns.segment) == 0
    marked = (columns.flags[1:] & Flag.GAP_BEFORE) != 0
    gaps = np.flatnonzero(marked)
    found.gaps = len(gaps)
    within, late = _explained(columns.mono_ns, gaps, told, int(LATE_S * scale * 1e9))
    for place in gaps.tolist():
        if kinds := within[place] or late[place]:
            found.causes["+".join(sorted(kinds))] += 1
        else:
            found.unexplained.append(int(columns.mono_ns[place]))
    around = _usual_around(apart, usual)
    hole_ns = np.maximum(2.05 * around, around + HELD_UP_S * scale * 1e9)
    holes = np.flatnonzero((apart > hole_ns) & ~marked & same)
    found.unmarked = [
        (
            int(columns.mono_ns[place]),
            f"{apart[place] / 1e6:.0f} ms",
            f"{around[place] / 1e6:.0f} ms",
        )
        for place in holes
    ]


def _usual_around(apart, usual):
    """Return for each spacing the median of those around it, `usual` at least.

    Where a computer has far more to do than it can, all readings come late for a while:
    that is their pace then, and no hole. A hole is longer than those around it.
    """
    if not len(apart):
        return apart
    padded = np.pad(
        apart.astype(float),
        AROUND // 2,
        mode="reflect" if len(apart) > AROUND else "edge",
    )
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, AROUND), axis=1)
    return np.maximum(around, usual)


def _explained(mono_ns, gaps, told, late_ns):
    """Return for each gap the kinds of event within it, and else the next free one.

    An event explains one gap only; one that came late, the last gap before it that has
    none within. That a reading came late is said once it is there: it explains the gap
    before that reading, not one in which it stands because the process died next.
    """
    within = {place: set() for place in gaps.tolist()}
    late = {place: set() for place in gaps.tolist()}
    for at, kind in told:
        before = int(np.searchsorted(mono_ns, at, "right")) - 1
        ended = before - 1
        said_late = kind == EventKind.GAP and at - int(mono_ns[before]) <= late_ns
        if said_late and ended in within and not within[ended]:
            within[ended].add(kind)
            continue
        if before in within:
            within[before].add(kind)
            continue
        open_ones = [
            place
            for place in gaps[gaps < before].tolist()[-5:]
            if not within[place] and not late[place]
            and at - int(mono_ns[place + 1]) <= late_ns
        ]  # fmt: skip
        if open_ones:
            late[open_ones[0]].add(kind)
    return within, late
