"""A run that went on after it was merged, there, here, or in both."""

import pytest
from store.making import begin, rows
from store.test_merge import told

from benchlog.clock import VirtualClock
from benchlog.model import Edge, Event
from benchlog.store.backup import back_up
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.writer import Writer

DAY_NS = 86_400 * 10**9
BEGAN_NS = 1_960_000_000 * 10**9


def gone_on(path, n, *, resumed, at_utc_ns=BEGAN_NS, word=None):
    """Go on with run 1 of a database after it was broken off, with n readings."""
    clock = VirtualClock(now_utc_ns=at_utc_ns)
    with Writer.open(path, clock) as writer:
        writer.resume_run(1)
        segment = writer.begin_segment(1)
        writer.commit(rows(1, segment, n, first=resumed))
        writer.end_run(1, "stopped")
        if word:
            writer.add_verdict(1, VerdictRow(word=word))


def test_a_run_that_went_on_brings_what_it_has_read_since(tmp_path):
    bench, merged = tmp_path / "bench.db", tmp_path / "all.db"
    with Writer.open(bench, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 1_500))
        writer.end_run(run, "interrupted")
    with Writer.open(merged, VirtualClock()) as writer:
        begin(writer, "before")  # so that ids differ
        writer.merge(bench)
        gone_on(bench, 1_200, resumed=5_000)
        with Writer.open(bench, VirtualClock()) as later:
            later.commit([(run, 0, Event(7, 7, "damaged", "fell"))])
        found = writer.merge(bench)
        here = found.known[run]
        assert (found.grown, found.readings, found.brought) == ({run: here}, 1_200, {})
        again = writer.merge(bench)
        assert (again.grown, again.readings, again.said) == ({}, 0, 0)
    with Reader.open(bench) as one, Reader.open(merged) as other:
        assert told(other, here) == told(one, run)
        assert other.run(here).damaged
        assert other.run(here).ended_how == "stopped"


def test_runs_that_went_on_apart_are_left_as_they_are(tmp_path):
    bench, other = tmp_path / "bench.db", tmp_path / "other.db"
    with Writer.open(bench, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
        writer.end_run(run, "interrupted")
    with Writer.open(other, VirtualClock()) as writer:
        writer.merge(bench)
    gone_on(other, 3, resumed=100)
    gone_on(bench, 4, resumed=200)
    with Writer.open(bench, VirtualClock()) as later:
        later.end_run(run, "stopped", at_utc_ns=1_970_000_000 * 10**9)
    with Writer.open(other, VirtualClock()) as writer:
        found = writer.merge(bench)
    assert (found.differing, found.readings) == ({run: 1}, 0)
    with Reader.open(other) as reader:
        assert reader.count(1) == 8


@pytest.fixture
def two(tmp_path):
    """Return two databases that both have run 1, broken off."""
    ours, theirs = tmp_path / "ours.db", tmp_path / "theirs.db"
    with Writer.open(ours, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
        writer.end_run(run, "interrupted")
        writer.add_verdict(run, VerdictRow(word="undecided"))
    back_up(ours, theirs)
    return ours, theirs


def merged(into, other):
    with Writer.open(into, VirtualClock(now_utc_ns=BEGAN_NS + 9 * DAY_NS)) as writer:
        return writer.merge(other)


def seen(path):
    """Return how many readings run 1 has, its verdict and its part."""
    with Reader.open(path) as reader:
        run = reader.run(1)
        return reader.count(1), run.verdict, run.part_id


@pytest.mark.parametrize("days", [1, -1])
def test_a_verdict_on_readings_that_stay_there_does_not_come(two, days):
    """Before, a run of 8 readings that failed had the pass of others that went on.

    With an earlier end there it was "here already", too, as if nothing were missing.
    """
    ours, theirs = two
    gone_on(ours, 3, resumed=100, word="fail")
    gone_on(
        theirs, 4, resumed=200, at_utc_ns=BEGAN_NS + days * DAY_NS // 24, word="pass"
    )
    with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS + DAY_NS)) as writer:
        writer.add_verdict(1, VerdictRow(word="pass"))  # judged again
        writer.amend(1, Amendment(kind="void", reason="the probe fell off"))
    found = merged(ours, theirs)
    assert (found.known, found.differing) == ({1: 1}, {1: 1})
    assert (found.readings, found.said) == (0, 0)
    assert seen(ours)[:2] == (8, "fail")
    with Reader.open(ours) as reader:
        assert reader.run(1).void is None


def test_what_came_after_the_clock_was_set_back_comes_in(two):
    """Before, it was here already: a run that ended earlier was not longer."""
    ours, theirs = two
    gone_on(theirs, 4, resumed=200, at_utc_ns=10**15, word="pass")
    assert merged(ours, theirs).grown == {1: 1}
    assert seen(ours)[:1] == (9,)


def test_a_run_that_is_open_here_takes_no_verdict_on_more_readings(two):
    """Before, it was here already, with 5 of 9 readings and the verdict on nine."""
    ours, theirs = two
    gone_on(theirs, 4, resumed=200, word="pass")
    with Writer.open(ours, VirtualClock(now_utc_ns=BEGAN_NS)) as writer:
        writer.resume_run(1)  # and its keeper is killed
    assert merged(ours, theirs).differing == {1: 1}
    assert seen(ours)[:2] == (5, "undecided")


def test_a_backup_of_before_brings_what_was_said_but_no_verdict(two):
    """Before, a verdict on 5 readings became that of 8; events were left there."""
    ours, theirs = two
    gone_on(ours, 3, resumed=100, word="fail")
    with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS + DAY_NS)) as writer:
        writer.add_verdict(1, VerdictRow(word="pass"))
        writer.amend(1, Amendment(kind="device", reason="mistyped", new="K-2"))
        writer.commit([(1, 0, Event(7, 7, "damaged", "fell"))])
    found = merged(ours, theirs)
    assert (found.said, found.differing) == (1, {})
    assert seen(ours)[:2] == (8, "fail")
    with Reader.open(ours) as reader:
        assert (reader.run(1).device, reader.run(1).damaged) == ("K-2", True)


def test_a_copy_that_was_cut_does_not_set_the_run_aside_here(tmp_path):
    """Before, who went on with a lot in a copy of it took its run from the lot."""
    ours, theirs = tmp_path / "ours.db", tmp_path / "theirs.db"
    with Writer.open(ours, VirtualClock(now_utc_ns=BEGAN_NS)) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
        back_up(ours, theirs)
        with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS + 1)) as copy:
            copy.commit([(run, 0, Event(BEGAN_NS, 7, "set-aside", "broken off"))])
            copy.end_run(run, "broken off")
        writer.commit(rows(run, segment, 5, first=5))
        writer.end_run(run, "verdict clear", at_utc_ns=BEGAN_NS + DAY_NS)
        writer.add_verdict(run, VerdictRow(word="pass"))
    assert merged(ours, theirs).differing == {}
    with Reader.open(ours) as reader:
        assert reader.run(1).why_not_counted == ""


def test_a_part_that_was_corrected_on_fewer_readings_does_not_come(two):
    ours, theirs = two
    gone_on(ours, 3, resumed=100, word="pass")
    before = seen(ours)
    with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS + DAY_NS)) as writer:
        writer.amend(
            1,
            Amendment(kind="part", reason="mistaken", old=before[2], new="narrow"),
            judged=VerdictRow(word="fail"),
        )
    assert merged(ours, theirs).differing == {1: 1}
    assert seen(ours) == before


@pytest.mark.parametrize("more", [0, 4])
def test_a_verdict_on_the_part_before_its_correction_here_does_not_come(two, more):
    """Before, the run was said to be the corrected part, and passed as the old one."""
    ours, theirs = two
    old = seen(ours)[2]
    with Writer.open(ours, VirtualClock(now_utc_ns=BEGAN_NS - DAY_NS)) as writer:
        writer.amend(
            1,
            Amendment(kind="part", reason="mistaken", old=old, new="narrow"),
            judged=VerdictRow(word="fail"),
        )
    if more:
        gone_on(theirs, more, resumed=200)
    with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS + DAY_NS)) as writer:
        writer.add_verdict(1, VerdictRow(word="pass"))
    found = merged(ours, theirs)
    assert (found.differing, found.readings) == ({1: 1}, more)
    assert seen(ours) == (5 + more, "fail", "narrow")
    into_theirs = merged(theirs, ours)
    assert into_theirs.differing == {1: 1}
    assert seen(theirs) == (5 + more, "pass", old)


def test_a_run_grows_by_pulses_too(tmp_path):
    """Before, it was here already: nobody was told, and its verdict stayed."""
    ours, theirs = tmp_path / "ours.db", tmp_path / "theirs.db"

    def pulses(segment, *numbers):
        return [(1, segment, Edge("counter", None, n * 10**9, n)) for n in numbers]

    with Writer.open(theirs, VirtualClock()) as writer:
        _, segment = begin(writer)
        writer.commit(pulses(segment, 1, 2, 3))
        writer.end_run(1, "interrupted")
    merged(ours, theirs)
    with Writer.open(theirs, VirtualClock(now_utc_ns=BEGAN_NS)) as writer:
        writer.resume_run(1)
        writer.commit(pulses(writer.begin_segment(1), 11, 12))
        writer.end_run(1, "stopped")
    assert merged(ours, theirs).grown == {1: 1}
    assert merged(ours, theirs).grown == {}


@pytest.mark.parametrize("order", ["ab", "ba"])
def test_whether_a_device_failed_is_what_was_said_last_whichever_comes_first(
    tmp_path, order
):
    """Before, an older "undamaged" of one bench went over a later "damaged" here."""
    clock = VirtualClock()
    with Writer.open(tmp_path / "a", clock) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
        writer.end_run(run, "readings reached")
    back_up(tmp_path / "a", tmp_path / "b")

    def say(name, *kinds):
        with Writer.open(tmp_path / name, clock) as writer:
            for kind in kinds:
                clock.sleep(1.0)
                now = clock.utc_ns(), clock.mono_ns()
                writer.commit([(run, 0, Event(*now, kind, f"said at {name}"))])

    say("b", "damaged", "undamaged", "set-aside")
    say("a", "damaged", "set-aside", "restored")
    first, second = (tmp_path / name for name in order)
    events = []
    for _ in range(2):
        for into, other in ((first, second), (second, first)):
            with Writer.open(into, clock) as writer:
                writer.merge(other)
            with Reader.open(into) as reader:
                found = reader.run(run)
                assert (found.damaged, found.set_aside) == (True, False)
                events.append(len(reader.events(run)))
    assert events[2:] == events[:2]


def test_what_was_said_after_a_clock_was_set_back_stays_last_in_a_merge(tmp_path):
    clock = VirtualClock()
    with Writer.open(tmp_path / "a", clock) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
        writer.end_run(run, "readings reached")
        writer.commit([(run, 0, Event(BEGAN_NS + DAY_NS, 7, "damaged", "fell"))])
        back_up(tmp_path / "a", tmp_path / "b")
        writer.commit([(run, 0, Event(BEGAN_NS, 8, "undamaged", "it did not"))])
    for into, other in (("a", "b"), ("b", "a")):
        with Writer.open(tmp_path / into, clock) as writer:
            writer.merge(tmp_path / other)
        with Reader.open(tmp_path / into) as reader:
            assert not reader.run(run).damaged
            assert len(reader.events(run)) == 2


@pytest.mark.parametrize("here_first", [True, False])
def test_what_was_said_last_of_a_run_is_last_in_both(two, here_first):
    """Before, the events that a merge brought in were the newest, whatever their age.

    The same run counted here and not there, and a device was damaged here only.
    """
    ours, theirs = two
    said = (
        (ours, (("set-aside", 10), ("restored", 11), ("damaged", 12))),
        (theirs, (("set-aside", 13), ("damaged", 14), ("undamaged", 15))),
    )
    for path, events in said:
        with Writer.open(path, VirtualClock()) as writer:
            writer.commit([(1, 0, Event(at, 0, kind, "")) for kind, at in events])
    pairs = [(ours, theirs), (theirs, ours)]
    for into, other in (pairs if here_first else pairs[::-1]) * 2:
        merged(into, other)
    for path in two:
        with Reader.open(path) as reader:
            run = reader.run(1)
            assert (run.set_aside, run.damaged) == (True, False)
            count = len(reader.events(1))
    merged(theirs, ours)
    with Reader.open(theirs) as reader:
        assert len(reader.events(1)) == count


def test_verdicts_of_two_copies_after_the_clock_was_set_back_are_two(two):
    """Before, both were dated a nanosecond after the last one, and taken for one."""
    word = "undecided"
    for hour, path in enumerate(two):
        at_utc_ns = DAY_NS + hour * 3_600 * 10**9 + hour * 1_234_567
        with Writer.open(path, VirtualClock(now_utc_ns=at_utc_ns)) as writer:
            writer.add_verdict(1, VerdictRow(word=word, offset_ppm=float(hour)))
    for into, other in (two, two[::-1]):
        merged(into, other)
    offsets = []
    for path in two:
        with Reader.open(path) as reader:
            offsets.append(reader.run(1).offset_ppm)
            assert len(reader.verdicts(1)) == 3
    assert len(set(offsets)) == 1
