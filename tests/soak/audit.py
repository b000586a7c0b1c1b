"""The audit of a soak: the database against the instrument's and the driver's diaries.

* truth: what the simulated counter sent, with the value that was true (its own log);
* acknowledged: what the driver handed over, written down at that moment;
* the database: readings and events.
"""

import json
from bisect import bisect_left
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np

from benchlog.model import EventKind, Flag

SOUND = ("", "late")
_NO_CAUSE = {
    EventKind.STARTED, EventKind.ENDED, EventKind.NOTE, EventKind.MARK,
    EventKind.ALARM, EventKind.ALARM_OVER, EventKind.STEP, EventKind.INSTRUMENT_MESSAGE,
}  # fmt: skip


@dataclass
class Findings:
    """What the audit found; every list should be empty."""

    readings: int = 0
    acknowledged: int = 0
    gaps: int = 0
    lost: list = field(default_factory=list)
    doubled: list = field(default_factory=list)
    unknown: list = field(default_factory=list)
    wrong: list = field(default_factory=list)
    unexplained: list = field(default_factory=list)
    unmarked: list = field(default_factory=list)
    causes: Counter = field(default_factory=Counter)
    untaken_ns: list = field(default_factory=list)


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
    truth = [t for t in lines(truth_path) if t["instrument"] == "counter"]
    found.readings, found.acknowledged = len(columns), len(acknowledged)
    _exactly_once(columns, events, acknowledged, found)
    _true_values(columns, acknowledged, truth, scale, found)
    _gaps(columns, events, scale, found)
    return found


def _exactly_once(columns, events, acknowledged, found):
    times = Counter(columns.mono_ns.tolist())
    found.doubled = [mono for mono, count in times.items() if count > 1]
    refused = {bytes(e.raw).decode() for e in events if e.kind == "rejected" and e.raw}
    end_ns = max(times, default=0)
    for mono, (_, raw) in acknowledged.items():
        # what was handed over while the run was being ended is not part of it
        if mono not in times and raw not in refused and mono <= end_ns:
            found.lost.append(mono)
    for mono, hz in zip(columns.mono_ns.tolist(), columns.frequency_hz, strict=True):
        if mono not in acknowledged:
            found.unknown.append(mono)
        elif acknowledged[mono][0] != hz:
            found.wrong.append((mono, hz, acknowledged[mono][0]))


def _true_values(columns, acknowledged, truth, scale, found):
    """Every reading is an answer of the counter, its gate just over, used once, true.

    An answer that was sent twice stands in the diary twice; the first is the reading's.
    """
    by_text = defaultdict(list)
    for place, one in enumerate(truth):
        by_text[one["text"]].append((one["mono_ns"], place))
    used = set()
    within_ns = int(3e9 * scale)
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


def _gaps(columns, events, scale, found):
    """Every gap has an event with a cause; no hole goes without a mark."""
    moments = sorted(
        (event.mono_ns, event.kind) for event in events if event.kind not in _NO_CAUSE
    )
    keys = [at for at, _ in moments]
    apart = np.diff(columns.mono_ns)
    usual = float(np.median(apart)) if len(apart) else 0.0
    marked = (columns.flags[1:] & Flag.GAP_BEFORE) != 0
    slack_ns = int(1.5e9 * scale)
    for place in np.flatnonzero(marked):
        first = int(columns.mono_ns[place]) - slack_ns
        last = int(columns.mono_ns[place + 1]) + slack_ns
        kinds = {
            str(kind) for at, kind in moments[bisect_left(keys, first) :] if at <= last
        } - {"back", "store-back"}
        found.gaps += 1
        if kinds:
            found.causes["+".join(sorted(kinds))] += 1
        else:
            found.unexplained.append(int(columns.mono_ns[place]))
    hole_ns = usual + 1.0e9 * scale
    holes = np.flatnonzero((apart > hole_ns) & ~marked)
    found.unmarked = [int(columns.mono_ns[place]) for place in holes]
