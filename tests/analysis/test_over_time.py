"""Stability over the time of a run: the map, and what is said to have changed."""

import numpy as np
import pytest
from analysis.peer_library import peer_function
from noise_makers import make
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability import over_time
from benchlog.analysis.stability.difference_sums import gapped_differences
from benchlog.analysis.stability.over_time import stability_over_time
from benchlog.errors import DataError

KINDS = ("white PM", "white FM", "flicker FM", "random-walk FM")


def white(n: int, seed: int = 1) -> np.ndarray:
    return seeded_generator(seed).standard_normal(n)


@pytest.mark.parametrize(("kind", "theirs"), [("adev", "oadev"), ("hdev", "ohdev")])
def test_each_window_against_a_library(kind: str, theirs: str) -> None:
    y = make("flicker FM", seeded_generator(2), 1, 2400)[0]
    found = stability_over_time(Series(y, 2.0), kind)
    size = round(found.window_s / 2.0)
    assert size == 200
    for w in (0, 17, len(found.t_s) - 1):
        start = round(found.t_s[w] / 2.0 - size / 2)
        taus, expected, *_ = peer_function(theirs)(
            y[start : start + size], 0.5, "freq", list(found.tau_s)
        )
        assert taus == pytest.approx(found.tau_s)
        assert found.values[:, w] == pytest.approx(expected, rel=1e-9)
    assert np.all((found.low < found.values) & (found.values < found.high))


@pytest.mark.parametrize("kind", ["adev", "hdev"])
@pytest.mark.parametrize("gaps", [False, True])
def test_blocks_shorter_than_an_average_tell_the_same(
    kind: str, gaps: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the rounding of sums, and no block goes through more than twice its length."""
    y = make("flicker FM", seeded_generator(4), 1, 3000)[0]
    if gaps:
        y[seeded_generator(5).random(3000) < 0.2] = np.nan
    found = stability_over_time(Series(y, 1.0), kind)
    gone_through = []

    def counted(total, *rest):
        gone_through.append(len(total))
        return gapped_differences(total, *rest)

    monkeypatch.setattr(over_time, "BLOCK", 16)
    monkeypatch.setattr(over_time, "gapped_differences", counted)
    again = stability_over_time(Series(y, 1.0), kind)
    assert max(gone_through) <= 2 * 16
    assert len(again.changes) == len(found.changes)
    for name in ("tau_s", "values", "low", "high"):
        kept, now = getattr(found, name), getattr(again, name)
        assert np.allclose(now, kept, rtol=1e-12, equal_nan=True)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [400, 2000])
def test_what_did_not_change_is_seldom_said_to_have(kind: str, n: int) -> None:
    """At most 5 % of runs; 0 to 2.7 % in 150 runs each, and here 60 runs."""
    runs = make(kind, seeded_generator(3), 60, n)
    told = sum(bool(stability_over_time(Series(y, 1.0)).changes) for y in runs)
    assert told <= 6  # of 60 at 5 %: more in 3 %


def test_a_step_of_the_noise_is_told_with_its_time_and_size() -> None:
    y = white(12_000)
    y[7000:] *= 1.5
    (change, *more) = stability_over_time(Series(y, 1.0)).changes
    assert not more and change.lasting
    assert change.begin_s == pytest.approx(7000, abs=1000)
    assert change.low < 1.5 < change.high
    assert change.low > 1.4 and change.tau_from_s == 1.0
    assert change.before == pytest.approx(1.0, rel=0.05)


def test_a_noise_that_fell_after_the_begin() -> None:
    y = white(12_000)
    y[:3000] *= 2.0
    (change,) = stability_over_time(Series(y, 1.0)).changes
    assert change.lasting and change.begin_s == pytest.approx(3000, abs=1000)
    assert change.ratio == pytest.approx(0.5, rel=0.1)


def test_a_spell_that_comes_and_goes_shows_at_its_own_averaging_times() -> None:
    """A swing with a period of 40 s shows at 16 s and hardly at 1 s."""
    y = white(12_000)
    at = np.arange(4000, 6000)
    y[at] += 0.6 * np.sin(2 * np.pi * at / 40)
    (change,) = stability_over_time(Series(y, 1.0)).changes
    assert not change.lasting and change.tau_s == 16.0
    assert change.begin_s == pytest.approx(4000, abs=1000)
    assert change.end_s == pytest.approx(6000, abs=1000)
    assert change.tau_from_s >= 4.0


def test_two_changes_are_two() -> None:
    y = white(24_000)
    y[4000:6000] *= 3.0
    y[14_000:16_000] *= 2.0
    first, second = stability_over_time(Series(y, 1.0)).changes
    assert first.begin_s == pytest.approx(4000, abs=2000)
    assert second.begin_s == pytest.approx(14_000, abs=2000)
    assert first.ratio > second.ratio > 1.5


def test_what_is_missing_is_not_invented() -> None:
    y = white(12_000)
    y[5000:6500] = np.nan
    found = stability_over_time(Series(y, 1.0))
    inside = (found.t_s > 5600) & (found.t_s < 5900)
    assert np.isnan(found.values[:, inside]).all()
    assert not np.isnan(found.values[0, found.t_s < 4400]).any()
    assert found.changes == ()


def test_phase_is_followed_like_frequency() -> None:
    y = white(2000)
    x = np.concatenate(([0.0], np.cumsum(y))) * 5.0
    by_phase = stability_over_time(Series(x, 5.0, "phase"))
    by_frequency = stability_over_time(Series(y, 5.0))
    assert by_phase.values == pytest.approx(by_frequency.values, rel=1e-6)


@pytest.mark.parametrize(
    ("n", "kind", "window_s", "said"),
    [
        (100, "adev", None, "100 readings are less than 4 windows of 32"),
        (1000, "adev", 300.0, "less than 4 windows of 300"),
        (1000, "adev", 20.0, "a window of 20 readings is too short"),
        (1000, "mtie", None, "adev or hdev"),
    ],
)
def test_mistakes(n: int, kind: str, window_s: float | None, said: str) -> None:
    with pytest.raises(DataError, match=said):
        stability_over_time(Series(white(n), 1.0), kind, window_s)
