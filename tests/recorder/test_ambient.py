"""What is said of ambient beside a run, and of values that are refused in a row."""

import pytest

from benchlog.model import EventKind, Sample
from benchlog.recorder.run.acceptance import Rejected
from benchlog.recorder.run.ambient import Ambient, AmbientNews
from benchlog.recorder.run.refused_values import RejectedSamples

NEWEST = Ambient(20.0, 0, 10.0)
LONG_S = 3600.0


def told(values, promised_c=(-10.0, 70.0)):
    """Return the kinds of event for each value in turn; None: nothing stands."""
    news = AmbientNews("room", promised_c, 1.0)
    return [[kind for kind, _ in news.of(NEWEST, value, LONG_S)] for value in values]


def test_leaving_the_promised_range_is_said_once_and_the_return_once():
    said = told([69.9, 70.1, 85.0, 69.8, 69.4, 20.0])
    range_, none = [EventKind.AMBIENT_RANGE], []
    assert said == [none, range_, none, none, range_, none]


def test_the_words_name_value_and_range():
    news = AmbientNews("room", (-10.0, 70.0), 1.0)
    ((_, text),) = news.of(NEWEST, -12.34, LONG_S)
    assert text == "ambient -12.3 C is outside the part's -10 to 70 C"
    ((_, text),) = news.of(NEWEST, 25.0, LONG_S)
    assert text == "ambient 25.0 C is within the part's -10 to 70 C"


def test_a_part_without_a_range_and_a_bench_without_a_probe_say_nothing():
    assert told([20.0, 500.0], promised_c=None) == [[], []]
    assert not list(AmbientNews("", (-10.0, 70.0), 1.0).of(None, None, LONG_S))


def test_a_probe_that_falls_silent_is_said_once_and_its_return_once():
    said = told([20.0, None, None, 20.0, 20.0])
    assert said == [[], [EventKind.AMBIENT_LOST], [], [EventKind.BACK], []]


def test_a_probe_that_wakes_after_a_pause_is_not_silent():
    news = AmbientNews("room", None, 1.0)
    assert list(news.of(NEWEST, None, 9.9)) == []
    ((kind, _),) = news.of(NEWEST, None, 10.1)
    assert kind is EventKind.AMBIENT_LOST


@pytest.mark.parametrize(
    ("age_s", "stands"), [(9.9, True), (30.0, True), (31.0, False)]
)
def test_a_value_stands_for_three_periods_at_least_ten_seconds(age_s, stands):
    ambient = Ambient(20.0, 0, 30.0)
    assert (ambient.at(int(age_s * 1e9)) is not None) is stands


def test_each_time_has_the_value_that_stood_then():
    ambient = Ambient(20.0, 0, 10.0)
    for at_s in range(1, 101):
        ambient.note(20.0 + at_s, at_s * 10**9)
    assert ambient.at(99_500_000_000) == 119.0
    assert ambient.at(42_000_000_000) == 62.0
    assert ambient.at(200 * 10**9) is None
    ambient.note(0.0, 50 * 10**9)
    assert ambient.at(50 * 10**9) == 70.0
    assert ambient.value_c == 120.0


def test_the_first_value_stands_for_ten_seconds_before_it():
    ambient = Ambient(20.0, 100 * 10**9, 60.0)
    assert ambient.at(91 * 10**9) == 20.0
    assert ambient.at(89 * 10**9) is None


def test_values_of_before_are_bounded():
    ambient = Ambient(0.0, 0, 10.0)
    for at_s in range(1, 100_001):
        ambient.note(float(at_s), at_s * 10**9)
    assert ambient.at(92_000 * 10**9) == 92_000.0
    assert ambient.at(1_000 * 10**9) is None


def sample(mono_ns, raw=b"1.6E7"):
    return Sample(16e6, "Hz", 0, mono_ns, raw=raw)


def test_a_value_that_comes_again_and_again_is_kept_once_and_counted():
    refusals = RejectedSamples()
    said = [
        one for _ in range(5_000) for one in refusals.of(sample(7), Rejected("late"))
    ]
    assert said == [("value refused, late", b"1.6E7")]
    assert refusals.of(sample(8, b"2"), Rejected("late")) == [
        ("the same value came 4,999 times more, refused like the first", b"1.6E7"),
        ("value refused, late", b"2"),
    ]
    assert refusals.over() == []


def test_once_more_is_said_when_it_is_over():
    refusals = RejectedSamples()
    refusals.of(sample(7), Rejected("late"))
    refusals.of(sample(7), Rejected("late"))
    ((text, raw),) = refusals.over()
    assert text.startswith("the same value came once more")
    assert raw == b"1.6E7"
    assert refusals.over() == []
