"""The audit finds what is wrong: a sound night passes, each harm to it does not."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from store.making import begin

from benchlog.clock import VirtualClock
from benchlog.model import (
    Event,
    EventKind,
    Flag,
    Reading,
)
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

sys.path.insert(0, str(Path(__file__).parent))

from audit import _explained, audit

N = 60
GATE_NS = 1_000_000_000
GAP_AT = 30
UTC_NS = 1_800_000_000_000_000_000


def hertz(number):
    return 16_000_000.0 + number / 1024


def text(number):
    return f"{hertz(number):.10f}"


class Night:
    """A night of 60 gates with one gap of three, and all that is written down of it."""

    def __init__(self):
        there = [n for n in range(N) if not GAP_AT <= n < GAP_AT + 3]
        self.readings = {n: self.reading(n) for n in there}
        self.acknowledged = {n: [self.mono(n), hertz(n), text(n)] for n in there}
        self.truth = [self.served(n) for n in range(N)]
        lost = self.event(GAP_AT, EventKind.LOST)
        self.events = [lost, self.event(N + 2, EventKind.ENDED)]

    @staticmethod
    def mono(number):
        return (number + 1) * GATE_NS

    def event(self, number, kind, raw=None):
        at = self.mono(number)
        return Event(UTC_NS + at, at, kind, "as it was", "counter", raw)

    def reading(self, number):
        at = self.mono(number)
        flags = Flag.GAP_BEFORE if number == GAP_AT + 3 else Flag.NONE
        return Reading(UTC_NS + at, at, 1.0, hertz(number), 23.5, flags, text(number))

    def served(self, number):
        return {
            "instrument": "counter", "mono_ns": self.mono(number), "text": text(number),
            "true_hz": hertz(number), "fault": "", "sent_ns": self.mono(number),
        }  # fmt: skip

    def audited(self, folder):
        room = [
            {"instrument": "room", "mono_ns": self.mono(n), "text": "+2.350E+01",
             "true_hz": None, "fault": "", "sent_ns": self.mono(n)}
            for n in range(0, N, 5)
        ]  # fmt: skip
        for name, rows in (
            ("truth", [*self.truth, *room]),
            ("acknowledged", list(self.acknowledged.values())),
        ):
            body = "".join(json.dumps(row) + "\n" for row in rows)
            (folder / f"{name}.jsonl").write_text(body)
        with Writer.open(folder / "night.db", VirtualClock()) as writer:
            run, segment = begin(writer)
            records = [*self.readings.values(), *self.events]
            writer.commit([(run, segment, record) for record in records])
        with Reader.open(folder / "night.db") as reader:
            return audit(
                reader, run, folder / "truth.jsonl", folder / "acknowledged.jsonl", 1
            )


@pytest.fixture
def night():
    return Night()


def test_a_sound_night_passes(night, tmp_path):
    found = night.audited(tmp_path)
    assert (found.readings, found.acknowledged, found.gaps) == (57, 57, 1)
    assert not found.bad
    assert not found.lost
    assert len(found.untaken_ns) == 3  # the counter went on while the line was lost


def drop(night):
    del night.readings[12]


def drop_the_last(night):
    del night.readings[N - 1]


def alter(night):
    night.readings[12] = replace(night.readings[12], frequency_hz=16_000_001.0)


def alter_both(night):
    """The database and the driver agree, but the counter never said so."""
    night.readings[12] = replace(night.readings[12], frequency_hz=16_000_001.0)
    night.acknowledged[12][1:] = [16_000_001.0, "16000001.0000000000"]


def untrue(night):
    night.truth[12]["true_hz"] *= 1 + 1e-6


def spoilt(night):
    night.truth[12]["fault"] = "no-signal"


def use_twice(night):
    """One answer of the counter stands as two readings."""
    at = night.readings[12].mono_ns + 100
    night.readings[12.5] = replace(night.readings[12], mono_ns=at)
    night.acknowledged[12.5] = [at, *night.acknowledged[12][1:]]


def store_twice(night):
    night.readings[12.5] = night.readings[12]


def invent(night):
    night.readings[31] = night.reading(31)


def take_event(night):
    del night.events[0]


def event_elsewhere(night):
    night.events[0] = night.event(10, EventKind.LOST)


def event_that_tells_nothing(night):
    night.events[0] = night.event(GAP_AT, EventKind.NOTE)


def take_mark(night):
    after = GAP_AT + 3
    night.readings[after] = replace(night.readings[after], flags=Flag.NONE)


def odd_ambient(night):
    night.readings[12] = replace(night.readings[12], ambient_c=99.0)


@pytest.mark.parametrize(
    ("harm", "name"),
    [
        (drop, "lost"),
        (drop, "lost_outside_gaps"),
        (drop_the_last, "lost"),
        (alter, "wrong"),
        (alter_both, "wrong"),
        (untrue, "wrong"),
        (spoilt, "wrong"),
        (use_twice, "wrong"),
        (store_twice, "doubled"),
        (invent, "unknown"),
        (take_event, "unexplained"),
        (event_elsewhere, "unexplained"),
        (event_that_tells_nothing, "unexplained"),
        (take_mark, "unmarked"),
        (odd_ambient, "wrong_ambient"),
    ],
)
def test_each_harm_is_found(night, tmp_path, harm, name):
    harm(night)
    assert getattr(night.audited(tmp_path), name)


def test_a_refusal_excuses_one_value_only(night, tmp_path):
    for number in (12, 13):
        del night.readings[number]
        night.acknowledged[number][2] = "the same"
    refused = night.event(12, EventKind.REJECTED, b"the same")
    night.events.append(refused)
    found = night.audited(tmp_path)
    assert (len(found.refused), len(found.lost)) == (1, 1)


def test_a_late_reading_and_a_death_right_after_it_are_two_gaps_with_an_event_each():
    second = 1_000_000_000
    mono_ns = np.array([0, 4, 50, 300, 304]) * second
    gaps = np.array([1, 2])
    told = [(51 * second, EventKind.GAP), (52 * second, EventKind.LEAKED)]
    within, late = _explained(mono_ns, gaps, told, 10 * second)
    assert within == {1: {EventKind.GAP}, 2: {EventKind.LEAKED}}
    assert not any(late.values())
    alone, _ = _explained(mono_ns, gaps, told[1:], 10 * second)
    assert not alone[1]  # without the word about it the first stays unexplained
