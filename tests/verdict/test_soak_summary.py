"""A night in short: known gaps, known drift and temperature, in constant memory."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from columns_maker import columns, part_of, without
from seeds import seeded_generator

from benchlog.evaluation.history_document import summary_document
from benchlog.model import (
    Event,
    EventKind,
    Flag,
    Kind,
    Limits,
    Part,
)
from benchlog.verdict.run.reading_judge import RunJudge
from benchlog.verdict.run.run_gaps import Holes, causes_of
from benchlog.verdict.soak.soak_summary import SoakWatch
from benchlog.verdict.soak.soak_summary_text import hole_rows, summary_facts

S = 1_000_000_000
PART = Part(
    id="q",
    title="quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0),
)
RUN = SimpleNamespace(nominal_hz=16e6, divider=1.0)
N = 30_000


def device(n=N, seed=3, drift_ppm_per_day=0.8, ppm_per_c=-0.12):
    """A quartz in a room that warms and cools; white noise of 0.004 ppm."""
    t = np.arange(1, n + 1, dtype=float)
    ambient = 24 + 1.5 * np.sin(t / 3_000) + 0.3 * np.sin(t / 700)
    noise = 0.004 * seeded_generator(seed).standard_normal(n)
    ppm = -9 + drift_ppm_per_day * t / 86_400 + ppm_per_c * (ambient - 25) + noise
    return columns(16e6 * (1 + ppm * 1e-6), ambient_c=ambient)


def night(whole, events=(), piece=1_000):
    watch, judge = SoakWatch(RUN), RunJudge(PART)
    for at in range(0, len(whole), piece):
        part = part_of(whole, at, at + piece)
        watch.feed(part)
        judge.feed(part)
    return watch.summary(judge.assessment(), events)


def event(whole, place, kind, text="", after_s=0.5):
    at = int(after_s * S)
    return Event(
        int(whole.utc_ns[place]) + at, int(whole.mono_ns[place]) + at, kind, text
    )


def test_drift_and_temperature_are_found_with_intervals():
    found = night(device())
    assert found.drift.low < 0.8 < found.drift.high
    assert found.drift.high - found.drift.low < 0.2
    assert found.temperature.low < -0.12 < found.temperature.high
    assert found.gaps == 0
    assert found.span_s == pytest.approx(N)


def test_a_still_room_leaves_drift_alone():
    whole = device(ppm_per_c=0.0)
    found = night(replace(whole, ambient_c=np.full(N, 24.0)))
    assert found.temperature is None
    assert "too little" in found.note
    assert found.drift.low < 0.8 < found.drift.high


def test_gaps_have_the_causes_that_events_tell():
    whole = device()
    holed = without(whole, [*range(5_000, 5_060), *range(9_000, 9_010)])
    events = [
        event(whole, 4_999, EventKind.LOST, "the cable"),
        event(whole, 4_999, EventKind.BACK, "back", after_s=59),
        event(whole, 7_000, EventKind.NOTE, "a remark explains no gap"),
        event(whole, 8_999, EventKind.HUNG, "did not come back"),
    ]
    found = night(holed, events)
    assert found.gaps == 2
    assert found.causes == {"lost": 1, "hung": 1}
    assert found.missing_s == pytest.approx(70.0)
    assert [hole[1:] for hole in found.holes] == [
        (pytest.approx(60.0), "lost", "the cable"),
        (pytest.approx(10.0), "hung", "did not come back"),
    ]
    assert sum(hole[1] for hole in found.holes) == pytest.approx(found.missing_s)
    said = dict(summary_facts(found))
    assert said["gaps"].startswith("2 gaps, 1 min 10 s without readings")
    assert said["causes"] == "1 x connection lost, 1 x driver hung"
    assert [row[1:3] for row in hole_rows(found, 5)] == [
        ("1 min 00 s", "connection lost"),
        ("10 s", "driver hung"),
    ]


def test_several_causes_of_one_gap_are_words_and_kinds_for_scripts():
    whole = device(4_000)
    kinds = [EventKind.GAP, EventKind.NO_SIGNAL]
    events = [event(whole, 1_000, kind, "as told") for kind in kinds]
    found = night(without(whole, range(1_001, 1_020)), events)
    assert summary_document(found)["causes"] == {"gap+no-signal": 1}
    said = dict(summary_facts(found))["causes"]
    assert said == "1 x keeper away or held up and no signal"


def test_a_gap_without_an_event_is_unknown():
    found = night(without(device(), range(500, 600)))
    assert found.causes == {"unknown": 1}


@pytest.mark.parametrize("piece", [1, 7, 1_000])
def test_how_readings_are_chunked_does_not_matter(piece):
    short = without(device(3_000), [100, 101, 1_700])
    watches = []
    for size in (piece, 300):
        watch = SoakWatch(RUN)
        for at in range(0, len(short), size):
            watch.feed(part_of(short, at, at + size))
        watches.append(watch)
    one, other = watches
    # private: two ways of feeding are compared to the last sum
    assert one._holes.kept == other._holes.kept
    assert one._holes.lost_s == pytest.approx(other._holes.lost_s)
    np.testing.assert_allclose(one._bins.sums, other._bins.sums, rtol=1e-9)


def test_a_new_segment_is_a_gap_measured_by_utc():
    whole = device(4_000)
    later = np.arange(4_000) >= 2_000
    restarted = replace(
        whole,
        segment=np.where(later, 2, 1),
        mono_ns=np.where(later, whole.mono_ns - 400 * S, whole.mono_ns),
        utc_ns=np.where(later, whole.utc_ns + 3_600 * S, whole.utc_ns),
        flags=np.where(np.arange(4_000) == 2_000, int(Flag.GAP_BEFORE), 0),
    )
    holes = Holes()
    holes.feed(restarted)
    (hole,) = holes.kept
    assert hole.new_segment
    assert hole.lasted_s == pytest.approx(3_600)
    told = Event(int(whole.utc_ns[1_999]) + 3_599 * S, 5 * S, EventKind.GAP, "restart")
    ((_, (cause,)),) = causes_of([hole], [told])
    assert cause.text == "restart"


def test_another_boots_clock_explains_nothing():
    whole = device(4_000)
    holed = without(whole, range(1_000, 1_100))
    holes = Holes()
    holes.feed(holed)
    stray = event(whole, 1_050, EventKind.LOST)
    stray = replace(stray, utc_ns=stray.utc_ns - 3 * 86_400 * S)
    assert causes_of(holes.kept, [stray]) == [(holes.kept[0], ())]


def test_a_long_run_takes_no_more_memory():
    watch = SoakWatch(RUN)
    for day in range(40):
        whole = device(3_000)
        shift = day * 86_400 * S
        watch.feed(
            replace(whole, utc_ns=whole.utc_ns + shift, mono_ns=whole.mono_ns + shift)
        )
    # private: memory that must stay bounded
    assert watch._bins.sums.nbytes < 100_000
    assert watch._bins.width_s * 512 > 39 * 86_400
    assert watch._bins.sums[0].sum() == 40 * 3_000


def test_words_and_document_are_whole():
    whole = device()
    events = [
        event(whole, 5_000, EventKind.ALARM, "KX-1: offset 21 ppm\x1b[2J"),
        event(whole, 6_000, EventKind.STEP, "stepped by +2.0 ppm"),
    ]
    found = night(without(whole, range(4_990, 5_060)), events)
    said = dict(summary_facts(found))
    assert "1 gap, 1 min 10 s without readings" in said["gaps"]
    assert "ppm/day (95 %" in said["drift"]
    assert "\x1b" not in said["alarms"]
    assert "offset 21 ppm" in said["alarms"]
    assert "+2.0 ppm" in said["steps"]
    assert len(hole_rows(found, 5)) == 1
    document = summary_document(found)
    assert document["holes"][0]["causes"] == "unknown"
    assert document["drift_ppm_per_day"]["value"] == found.drift.value
    assert [one["kind"] for one in document["alarms"]] == ["alarm"]


def test_what_cost_no_reading_is_counted_and_what_was_lost_is_told():
    whole = device()
    kinds = [EventKind.CLOCK_STEP, EventKind.AMBIENT_RANGE, EventKind.AMBIENT_RANGE]
    events = [event(whole, 5_000, kind, "as it was") for kind in kinds]
    events.append(event(whole, 6_000, EventKind.READINGS_LOST, "7 readings found none"))
    found = night(whole, events)
    said = dict(summary_facts(found))
    assert said["beside"] == "clock-step 1, ambient-range 2"
    assert said["lost"].endswith("readings-lost: 7 readings found none")
    document = summary_document(found)
    assert document["other_events"] == {"clock-step": 1, "ambient-range": 2}
    assert len(document["readings_lost"]) == 1
    assert not {"beside", "lost"} & set(dict(summary_facts(night(whole, []))))


def test_what_drift_and_slope_are_of_and_for_how_long_ambient_was_missing():
    whole = device()
    ambient = whole.ambient_c.copy()
    ambient[5_000:8_780] = np.nan  # 1 h 03 min
    found = night(replace(whole, ambient_c=ambient))
    said = dict(summary_facts(found))
    assert "what ambient did taken out by a straight line" in said["drift"]
    assert "`benchlog ageing` goes by the law of the part's kind" in said["drift"]
    low, high = found.temperature_c
    assert 22.0 < low < high < 26.0
    assert said["temperature"].endswith(f"mean slope from {low:.1f} to {high:.1f} C")
    assert said["ambient"] == "1 h 03 min of readings without a value"
    document = summary_document(found)
    assert document["without_ambient_s"] == pytest.approx(3_780)
    assert document["temperature_range_c"] == [low, high]
    assert "ambient" not in dict(summary_facts(night(whole)))


def test_nothing_yet_is_said_as_such():
    watch = SoakWatch(RUN)
    found = watch.summary(RunJudge(PART).assessment(), [])
    assert (found.readings, found.gaps, found.drift) == (0, 0, None)
    assert found.note
    assert summary_facts(found)
