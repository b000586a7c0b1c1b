"""Pulses put on their grid, named where they do not fit; scenarios with known truth."""

import numpy as np
import pytest
from pulse_makers import Host, Source, feed, trains
from seeds import seeded_generator

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.train import PulseKind
from benchlog.errors import DataError
from benchlog.model import Flag

S = 10**9


def tracked(stamps, nominal_s=1.0, **more) -> PulseTracker:
    tracker = PulseTracker(nominal_s)
    feed(tracker, np.asarray(stamps, dtype=np.int64), **more)
    return tracker


def seconds(*values) -> np.ndarray:
    return np.round(np.array(values) * S).astype(np.int64)


def test_a_clean_train_is_all_good():
    found = tracked(seconds(*range(1, 21))).counts()
    assert (found.good, found.missed, found.blocks) == (20, 0, 1)


@pytest.mark.parametrize(
    ("stray", "kind"),
    [
        (10.002, PulseKind.BOUNCE),
        (10.5, PulseKind.DOUBLED),
        (10.75, PulseKind.EARLY),
    ],
)
def test_an_extra_pulse_is_named(stray, kind):
    tracker = tracked(seconds(*range(1, 11), stray, *range(11, 20)))
    assert tracker.kinds[10] is kind
    assert tracker.counts().good == 19
    assert tracker.counts().missed == 0


def test_a_late_pulse_is_named_and_its_place_counts_as_missed():
    tracker = tracked(seconds(1, 2, 3, 4, 5.3, 6, 7))
    assert tracker.kinds[4] is PulseKind.LATE
    assert tracker.counts().missed == 1
    assert list(tracker.train().place) == [0, 1, 2, 3, 5, 6]


def test_missing_pulses_leave_their_places_empty():
    tracker = tracked(seconds(*range(1, 11), *range(14, 20)))
    assert tracker.counts().missed == 3
    assert tracker.train().place[-1] == 18


def test_a_first_pulse_that_is_an_extra_one_does_not_spoil_the_train():
    tracker = tracked(seconds(0.6, *range(1, 20)))
    assert tracker.counts().good >= 18
    assert np.all(np.diff(tracker.train().place) == 1)


def test_a_grid_that_jumps_begins_a_new_block():
    tracker = tracked(seconds(*range(1, 11), *(x + 0.4 for x in range(11, 21))))
    train = tracker.train()
    assert len(np.unique(train.block)) == 2
    assert np.count_nonzero(train.block == train.block[-1]) == 10


def test_a_silence_too_long_to_count_across_begins_a_new_block():
    tracker = tracked(seconds(1, 2, 3, *(2000.4 + x for x in range(10))))
    assert tracker.counts().blocks == 2
    assert tracker.counts().missed == 0


def test_a_long_silence_after_a_long_train_is_counted():
    tracker = tracked(seconds(*range(1, 1001), *range(1200, 1210)))
    assert tracker.counts().blocks == 1
    assert tracker.counts().missed == 199


def test_pulses_without_a_fix_never_count_and_are_not_missed_either():
    flags = np.zeros(20, dtype=np.int64)
    flags[5:10] = Flag.NO_FIX
    found = tracked(seconds(*range(1, 21)), flags=flags).counts()
    assert (found.good, found.no_fix, found.missed) == (15, 5, 0)


def test_a_jump_in_the_line_counters_is_a_pulse_nobody_stamped():
    sequence = [1, 2, 3, 5, 6]
    found = tracked(seconds(1, 2, 3, 5, 6), sequence=sequence).counts()
    assert (found.missed, found.unseen) == (1, 1)


def test_a_new_segment_begins_a_new_block():
    tracker = tracked(seconds(1, 2, 3, 4))
    feed(tracker, seconds(1.3, 2.3, 3.3), segment=2)
    assert tracker.counts().blocks == 2


@pytest.mark.parametrize("ppm", [-30_000.0, -50.0, 40.0, 30_000.0])
def test_the_spacing_is_learnt(ppm):
    rng = seeded_generator(5)
    host = Host(ppm=40, jitter_s=50e-6)
    (stamps,) = trains([Source(ppm=ppm)], host, 300, rng)
    found = tracked(stamps).counts()
    assert (found.good, found.missed) == (300, 0)


def test_counts_of_a_bad_train_are_near_the_truth():
    rng = seeded_generator(6)
    source = Source(missed=0.05, doubled=0.01)
    (stamps,) = trains([source], Host(jitter_s=50e-6), 4000, rng)
    found = tracked(stamps).counts()
    extra = found.doubled + found.bounced + found.early + found.late
    assert abs(found.missed - 200) < 60
    assert abs(extra - 40) < 25
    assert found.blocks == 1
    assert found.good + extra == len(stamps)


def test_every_stamp_gets_a_name_whatever_comes():
    rng = seeded_generator(7)
    stamps = np.sort(rng.integers(0, 100 * S, 300))
    tracker = tracked(stamps)
    assert len(tracker.kinds) == 300


def test_one_pulse_is_no_train():
    tracker = tracked(seconds(1))
    assert tracker.kinds == [PulseKind.WAITING]
    assert len(tracker.train()) == 0


def test_time_error_grows_for_a_fast_source():
    error_s = tracked(seconds(*(x * 0.999 for x in range(1, 11)))).train().error_s()
    assert error_s[-1] == pytest.approx(0.009)


def test_a_spacing_that_cannot_be_is_refused():
    with pytest.raises(DataError):
        PulseTracker(0.0)
