"""Is B better than A? By hand from the budgets, and with what both share."""

import math
from dataclasses import replace

import numpy as np
import pytest
from columns_maker import columns
from seeds import seeded_generator

from benchlog.analysis.pairing import Pairs
from benchlog.evaluation.study_documents import difference_document
from benchlog.model import (
    Kind,
    Limits,
    Part,
    Timebase,
)
from benchlog.verdict.run.comparison import (
    ComparisonAnswer,
    Side,
    compare,
    in_words,
    notes_together,
)
from benchlog.verdict.run.reading_judge import RunJudge

PART = Part(
    id="q",
    title="q",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=30.0),
)
BASE = Timebase(status="stated", offset_ppm=0.0, u_ppm=0.05)
YEAR_NS = int(365.25 * 86_400 * 1e9)


def side(run, offset_ppm, *, noise_ppm=0.01, base=BASE, counter="c 1", n=100, **more):
    chance = seeded_generator(run)
    ppm = offset_ppm + noise_ppm * chance.normal(size=n)
    judge = RunJudge(PART, timebase=base)
    judge.feed(columns(16e6 * (1 + ppm * 1e-6)))
    given = {"started_utc_ns": 1_900_000_000 * 10**9, **more}
    return Side(
        run=run, name=f"D{run}", assessment=judge.assessment(), counter=counter, **given
    )


def line(found, name):
    return next(one for one in found.budget.lines if one.name == name)


def test_one_counter_cancels_and_two_do_not():
    a, b = side(1, 5.0), side(2, 5.03)
    found = compare(a, b)
    parts = [s.assessment.budget.lines[2].u_ppm for s in (a, b)]
    assert found.budget.u_ppm == pytest.approx(math.hypot(*parts))
    assert found.offset is ComparisonAnswer.MORE
    other = compare(a, replace(b, counter="c 2"))
    assert other.budget.u_ppm == pytest.approx(math.hypot(0.05, 0.05, *parts))
    assert other.offset is ComparisonAnswer.UNCLEAR
    unknown = compare(replace(a, counter=""), replace(b, counter=""))
    assert unknown.budget.u_ppm == other.budget.u_ppm


CHECKED = Timebase(
    status="checked",
    offset_ppm=0.3,
    u_ppm=0.0001,
    valid_until_utc_ns=2 * 10**18,
    text="checked",
)


def read_as(run, read_ppm, base, **more):
    """A side whose readings are `read_ppm` off, corrected by its own time base."""
    return side(run, read_ppm, base=base, noise_ppm=0.001, **more)


def test_a_check_between_two_runs_makes_no_difference_between_them():
    a, b = read_as(1, 5.0, BASE), read_as(2, 5.0002, CHECKED)
    assert b.assessment.offset_ppm - a.assessment.offset_ppm > 0.29
    for found in (compare(a, b), compare(b, a)):
        assert abs(found.delta_ppm) < 0.001
        assert found.offset is ComparisonAnswer.UNCLEAR
        assert line(found, "time base").u_ppm == 0.0
        assert found.budget.expanded_ppm < 0.001
        assert abs(found.farther_ppm) < 0.001
        assert "one counter measured" in found.notes[0]
        assert "+0.30000 +- 0.00020 ppm (checked)" in found.notes[0]
    # on both sides of nominal the better known correction counts, and twice
    other = compare(read_as(1, 5.0, BASE), read_as(2, -5.7, CHECKED))
    assert other.farther_ppm == pytest.approx(5.4 - 5.3, abs=0.001)
    assert other.farther_budget.lines[0].u_ppm == pytest.approx(0.0002)
    # of two counters both count
    apart = compare(a, replace(b, counter="c 2"))
    assert apart.delta_ppm == pytest.approx(0.3, abs=0.001)


def test_two_checks_that_agree_are_one_time_base_and_two_that_do_not_are_two():
    again = replace(CHECKED, offset_ppm=0.3001)
    found = compare(read_as(1, 5.0, CHECKED), read_as(2, 5.0, again))
    assert abs(found.delta_ppm) < 0.0005
    assert line(found, "time base").u_ppm == 0.0
    moved = replace(CHECKED, offset_ppm=0.9)
    found = compare(read_as(1, 5.0, CHECKED), read_as(2, 4.4, moved))
    assert abs(found.delta_ppm) < 0.001  # what the counter moved is corrected
    assert line(found, "time base of A").u_ppm == pytest.approx(0.0001)
    assert "contradict each other" in found.notes[0]
    # pair by pair they share what moved both, and the correction, too
    pairs = Pairs(np.arange(10.0), np.full(10, 5.0), np.full(10, 5.1), 1.0)
    together = compare(read_as(1, 5.0, BASE), read_as(2, 5.1, CHECKED), pairs)
    assert together.delta_ppm == pytest.approx(0.1)


def test_a_voided_check_is_not_what_corrects_both():
    gone = replace(CHECKED, offset_ppm=7.0, doubt="voided")
    found = compare(read_as(1, 5.0, BASE), read_as(2, 5.0, gone))
    assert "0.000 +- 0.098 ppm (stated)" in found.notes[0]
    # nor one that stands alone against those before and after it
    found = compare(read_as(1, 5.0, CHECKED), read_as(2, 5.0, gone))
    assert abs(found.delta_ppm) < 0.001
    assert "+0.30000 +- 0.00020 ppm (checked)" in found.notes[0]


def test_on_both_sides_of_nominal_the_shared_time_base_counts_twice():
    found = compare(side(1, 5.0), side(2, -5.05))
    assert found.delta_ppm == pytest.approx(-10.05, abs=0.01)
    assert found.offset is ComparisonAnswer.LESS
    assert found.farther_ppm == pytest.approx(0.05, abs=0.01)
    assert found.farther_budget.lines[0].u_ppm == pytest.approx(0.1)
    assert found.distance is ComparisonAnswer.UNCLEAR
    same = compare(side(1, -5.0), side(2, -5.05))
    assert same.distance is ComparisonAnswer.MORE
    assert "run 2 is farther from nominal" in in_words(same)


def test_a_time_base_too_poor_to_tell_the_side_of_nominal_tells_no_distance():
    poor = replace(BASE, u_ppm=26.0)
    found = compare(side(1, 5.0, base=poor), side(2, 5.1, base=poor))
    assert found.offset is ComparisonAnswer.MORE  # the difference needs no time base
    assert found.distance is ComparisonAnswer.UNCLEAR


def test_the_time_base_may_age_between_two_runs():
    a = side(1, 5.0, ageing_ppm_per_year=0.3)
    b = side(2, 5.0, started_utc_ns=a.started_utc_ns + 2 * YEAR_NS)
    found = compare(a, b)
    aged = line(found, "ageing of the time base")
    assert aged.u_ppm == pytest.approx(0.6 / math.sqrt(3))
    unstated = compare(replace(a, ageing_ppm_per_year=None), b)
    assert any("no ageing" in note for note in unstated.notes)


def test_steadier_only_when_the_interval_says_so():
    quiet, loud = side(1, 5.0, noise_ppm=0.01), side(2, 5.0, noise_ppm=0.02)
    found = compare(quiet, loud)
    assert found.ratio.low > 1
    assert found.scatter is ComparisonAnswer.MORE
    alike = compare(side(11, 5.0), side(12, 5.0))
    assert alike.scatter is ComparisonAnswer.UNCLEAR


def test_no_word_on_steadiness_where_a_run_moves_slowly():
    walk = np.cumsum(seeded_generator(4).normal(size=200)) * 0.05
    quiet, moving = side(1, 5.0, n=200), side(2, 5.0 + walk, noise_ppm=0.05, n=200)
    found = compare(quiet, moving)
    assert found.ratio.low > 1
    assert found.scatter is ComparisonAnswer.UNCLEAR and found.slow == (2,)
    assert "which is steadier cannot be told" in in_words(found)
    assert any("run 2 moves slowly" in note for note in found.notes)
    assert difference_document(found)["slow"] == [2]


def test_of_three_runs_each_note_comes_once_and_says_of_which_it_is():
    """A check was made after the first run; the third was warm."""
    later = replace(BASE, status="checked", offset_ppm=0.3, u_ppm=0.002)
    first = read_as(1, 5.0, BASE)
    warm = read_as(3, 5.3, later)
    stats = replace(warm.assessment.stats, ambient_mean_c=29.0)
    warm = replace(warm, assessment=replace(warm.assessment, stats=stats))
    found = [compare(first, read_as(2, 5.2, later)), compare(first, warm)]
    notes = list(notes_together(found))
    assert sum("falls out of their difference" in note for note in notes) == 1
    assert any("The offsets listed are as judged" in note for note in notes)
    (room,) = [note for note in notes if "ambient differed" in note]
    assert room.startswith("runs 3 - 1: ambient differed by +")
    moving = [replace(one, notes=("run 1 moves slowly",)) for one in found]
    assert list(notes_together(moving)) == ["run 1 moves slowly"]


def test_pair_by_pair_what_moved_both_does_not_hide_the_difference():
    walk = np.cumsum(seeded_generator(0).normal(size=100)) * 0.1
    own = seeded_generator(1).normal(size=(2, 100)) * 0.005
    sides, series = [], []
    for run in (1, 2):
        ppm = 5.0 + 0.02 * (run - 1) + walk + own[run - 1]
        judge = RunJudge(PART, timebase=BASE)
        judge.feed(columns(16e6 * (1 + ppm * 1e-6)))
        sides.append(
            Side(
                run=run,
                name="D",
                assessment=judge.assessment(),
                counter="c 1",
                started_utc_ns=0,
            )
        )
        series.append(ppm)
    apart = compare(*sides)
    paired = compare(*sides, Pairs(np.arange(100.0), *series, 1.0))
    assert apart.offset is ComparisonAnswer.UNCLEAR
    assert paired.offset is ComparisonAnswer.MORE
    assert paired.paired and "pair by pair" in paired.notes[0]


def test_too_little_to_say():
    found = compare(side(1, 5.0, n=1), side(2, 6.0))
    assert found.budget is None
    assert (found.offset, found.distance) == (
        ComparisonAnswer.UNCLEAR,
        ComparisonAnswer.UNCLEAR,
    )
    document = difference_document(found)
    assert document["u_ppm"] is None
    assert document["delta_ppm"] == pytest.approx(1.0, abs=0.1)
