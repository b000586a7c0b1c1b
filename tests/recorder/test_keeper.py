"""The keeper with real processes: whatever a driver does costs a marked gap at most."""

import threading
from contextlib import closing

import numpy as np
import pytest

from benchlog.control import Request, ask, file_of
from benchlog.errors import BenchlogError, BusyError, UsageError
from benchlog.model import EventKind, Flag, Purpose
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader


def kept(plan, database, clock):
    told = []
    (run_id,) = keep([plan], database, clock, tell=told.append)
    with closing(Reader.open(database)) as reader:
        return (
            reader.run(run_id),
            reader.columns_after(run_id),
            [event for _, event in reader.events(run_id)],
            told,
        )


def kinds(events):
    return [event.kind for event in events]


def test_every_reading_is_committed_before_it_is_told(plan_for, database, clock):
    run, columns, events, told = kept(plan_for("stranger-steady"), database, clock)
    assert len(columns) == 20
    assert run.ended_how == "readings reached"
    assert kinds(events) == [EventKind.STARTED, EventKind.ENDED]
    assert [t.reading.frequency_hz for t in told if t.reading] == list(
        columns.frequency_hz
    )
    assert told[-1].kind == "ended"
    assert not (columns.flags & Flag.GAP_BEFORE).any()
    assert (np.diff(columns.mono_ns) > 9e6).all()


def test_the_verdict_stays_with_the_run(plan_for, database, clock):
    run, *_ = kept(plan_for("stranger-steady"), database, clock)
    assert run.verdict == "pass"
    assert abs(run.offset_ppm) < 0.01
    assert run.resolution_hz == 0.1


@pytest.mark.parametrize(
    "bad",
    [
        ("stranger-hangs", EventKind.HUNG, "did not come back in time"),
        ("stranger-crashes", EventKind.CRASHED, "SIGSEGV (the vendor library gave up)"),
        ("stranger-buggy", "driver", "ZeroDivisionError: a stranger's arithmetic"),
    ],
    ids=["hangs", "crashes", "buggy"],
)
def test_a_bad_driver_costs_one_marked_gap(plan_for, database, clock, bad):
    driver, kind, text = bad
    run, columns, events, _ = kept(plan_for(driver, max_s=60.0), database, clock)
    assert len(columns) == 20
    gaps = np.flatnonzero(columns.flags & Flag.GAP_BEFORE)
    assert list(gaps) == [5]
    assert kinds(events)[:3] == [EventKind.STARTED, kind, EventKind.BACK]
    assert text in events[1].text
    assert run.ended_how == "readings reached"


def test_a_driver_that_makes_a_copy_of_its_process_is_heard_once(
    plan_for, database, clock
):
    """Before, both sent values into one pipe, and some of the copy's were kept."""
    run, columns, events, _ = kept(plan_for("stranger-forks"), database, clock)
    assert len(columns) == 20
    assert (np.diff(columns.mono_ns) > 9e6).all()
    assert EventKind.REJECTED not in kinds(events)
    assert run.ended_how == "readings reached"


def test_a_noisy_driver_blocks_nobody(plan_for, database, clock):
    run, columns, *_ = kept(plan_for("stranger-noisy"), database, clock)
    assert len(columns) == 20
    assert run.ended_how == "readings reached"


def test_another_instrument_is_not_taken_for_the_first(plan_for, database, clock):
    plan = plan_for("stranger-swaps", max_s=2.0)
    run, columns, events, _ = kept(plan, database, clock)
    assert len(columns) == 5
    assert kinds(events)[1:3] == [EventKind.LOST, EventKind.WRONG_INSTRUMENT]
    assert "8,1" in events[2].text
    assert run.ended_how == "time reached"


def test_what_is_no_number_becomes_an_event_with_its_bytes(plan_for, database, clock):
    _, columns, events, _ = kept(plan_for("stranger-odd"), database, clock)
    assert np.isfinite(columns.frequency_hz).all()
    assert (columns.frequency_hz > 0).all()
    raw = {event.raw for event in events if event.raw}
    assert {b"9.91E37\n", b"\xff\x00%%", b"nan", b"0.0", b"-5.0"} <= raw
    refused = [e.text for e in events if e.kind == EventKind.REJECTED]
    assert any("not finite" in text for text in refused)
    assert any("not above zero" in text for text in refused)


def test_no_answer_at_the_start_is_an_error_and_leaves_no_run(
    plan_for, database, clock
):
    plan = plan_for("stranger-broken")
    with pytest.raises(BenchlogError, match="stranger_clocks_that_is_missing"):
        keep([plan], database, clock, tell=print)
    with closing(Reader.open(database)) as reader:
        assert reader.runs() == []


def test_two_devices_at_one_counter_are_refused(plan_for, database, clock):
    plan = plan_for("stranger-steady")
    with pytest.raises(UsageError):
        keep([plan, plan], database, clock, tell=print)
    assert not database.exists()


class Onlooker:
    """Asks the keeper things as soon as a given number of readings is committed."""

    def __init__(self, database, after, *requests):
        self.database, self.after, self.requests = database, after, list(requests)
        self.answers, self.seen = [], 0
        self.threads = []

    def __call__(self, told):
        self.seen += told.kind == "reading"
        if self.seen >= self.after and self.requests:
            request = self.requests.pop(0)
            self.after += 5
            self.answers.append(None)
            before = self.threads[-1] if self.threads else None
            asked = (told.run_id, request, len(self.answers) - 1, before)
            thread = threading.Thread(target=self.ask, args=asked)
            self.threads.append(thread)
            thread.start()

    def ask(self, run_id, request, place=None, before=None):
        if before is not None:
            before.join()  # one after the other, however busy the machine is
        with closing(Reader.open(self.database)) as reader:
            path = self.database.with_name(reader.run(run_id).control)
        answer = ask(path, request, file_of(self.database))
        if place is not None:
            self.answers[place] = answer


def test_a_note_a_mark_and_a_stop_from_outside(plan_for, database, clock):
    onlooker = Onlooker(
        database,
        5,
        Request("note", text="draught from the door \N{SNOWMAN}"),
        Request("mark", text="warming"),
        Request("status"),
        Request("stop"),
    )
    (run_id,) = keep(
        [plan_for("stranger-steady", readings=500)], database, clock, tell=onlooker
    )
    for thread in onlooker.threads:
        thread.join()
    assert [answer.ok for answer in onlooker.answers] == [True] * 4
    with closing(Reader.open(database)) as reader:
        events = [event for _, event in reader.events(run_id)]
        assert reader.run(run_id).ended_how == "stopped"
        assert 15 <= reader.count(run_id) < 500
    texts = [e.text for e in events if e.kind in (EventKind.NOTE, EventKind.MARK)]
    assert texts == ["draught from the door \N{SNOWMAN}", "warming"]


def test_a_misspelt_mark_is_kept_and_asked_back(plan_for, database, clock):
    onlooker = Onlooker(
        database,
        5,
        Request("mark", text="coooling"),
        Request("mark", text="supply 999 V"),
        Request("note", text="coooling"),
        Request("stop"),
    )
    plan = plan_for("stranger-steady", readings=500)
    (run_id,) = keep([plan], database, clock, tell=onlooker)
    for thread in onlooker.threads:
        thread.join()
    said = [answer.data.get("said", "") for answer in onlooker.answers]
    assert said[0] == "did you mean cooling?" and "not taken" in str(said[1])
    assert said[2:] == ["", ""]
    with closing(Reader.open(database)) as reader:
        events = [event for _, event in reader.events(run_id)]
    marks = [event.text for event in events if event.kind == EventKind.MARK]
    assert marks == ["coooling", "supply 999 V"]


def test_a_mark_stands_at_the_moment_that_was_meant(plan_for, database, clock):
    now_ns, hour_ns = clock.mono_ns(), 3600 * 10**9
    onlooker = Onlooker(
        database,
        5,
        Request("mark", text="to come", at_mono_ns=now_ns + hour_ns),
        Request("mark", text="long ago", at_mono_ns=now_ns - hour_ns),
        Request("mark", text="before it began", at_mono_ns=now_ns - 10**9),
        Request("mark", text="pressed"),
        Request("stop"),
    )

    def tell(told):
        if told.kind == "reading" and onlooker.seen == 4:
            onlooker.pressed = clock.utc_ns(), clock.mono_ns()
            utc_ns, mono_ns = onlooker.pressed
            onlooker.requests[3] = Request(
                "mark", None, "pressed", at_utc_ns=utc_ns, at_mono_ns=mono_ns
            )
        onlooker(told)

    plan = plan_for("stranger-steady", readings=500)
    (run_id,) = keep([plan], database, clock, tell=tell)
    for thread in onlooker.threads:
        thread.join()
    assert [a.ok for a in onlooker.answers] == [False, False, False, True, True]
    for answer, said in zip(
        onlooker.answers, ("not come yet", "10 min", "not begun"), strict=False
    ):
        assert said in answer.error
    with closing(Reader.open(database)) as reader:
        events = [event for _, event in reader.events(run_id)]
    (mark,) = (event for event in events if event.kind == EventKind.MARK)
    assert (mark.text, mark.utc_ns, mark.mono_ns) == ("pressed", *onlooker.pressed)


def test_a_pause_is_a_gap_with_a_cause(plan_for, database, clock):
    onlooker = Onlooker(database, 5, Request("pause"))

    def tell(told):
        onlooker(told)
        if told.event and told.event.kind == EventKind.PAUSED:
            threading.Timer(0.3, onlooker.ask, (told.run_id, Request("go-on"))).start()

    # long enough that a busy computer has asked before the run is over
    plan = plan_for("stranger-steady", readings=300)
    (run_id,) = keep([plan], database, clock, tell=tell)
    with closing(Reader.open(database)) as reader:
        columns = reader.columns_after(run_id)
        found = [event.kind for _, event in reader.events(run_id)]
    assert len(columns) == 300
    (gap,) = np.flatnonzero(columns.flags & Flag.GAP_BEFORE)
    assert np.diff(columns.mono_ns)[gap - 1] > 0.25e9
    assert found.index(EventKind.PAUSED) < found.index(EventKind.RESUMED)


def test_again_ends_one_run_and_begins_another(plan_for, database, clock):
    onlooker = Onlooker(database, 5, Request("again"))
    first, second = keep([plan_for("stranger-steady")], database, clock, tell=onlooker)
    with closing(Reader.open(database)) as reader:
        assert reader.run(first).ended_how == "measured again"
        assert reader.run(second).ended_how == "readings reached"
        assert reader.count(second) == 20
        began = reader.run(second).started_utc_ns
        assert (reader.columns_after(second).utc_ns > began).all()


def test_a_soak_waits_for_an_instrument_that_is_late(plan_for, database, clock):
    plan = plan_for("stranger-late", purpose=Purpose.SOAK, readings=5)
    run, columns, *_ = kept(plan, database, clock)
    assert len(columns) == 5
    assert run.purpose is Purpose.SOAK


def test_a_number_of_readings_is_not_waited_for_for_ever(
    plan_for, database, clock, monkeypatch
):
    monkeypatch.setattr("benchlog.recorder.run.bookkeeper._PATIENCE_S", 1.0)
    plan = plan_for("stranger-quiet", readings=4, max_s=None)
    run, columns, events, _ = kept(plan, database, clock)
    assert (len(columns), run.ended_how) == (1, "no readings came")
    told = [
        kind for kind in kinds(events) if kind != EventKind.GAP
    ]  # of a busy computer
    assert told == [EventKind.STARTED, EventKind.NO_SIGNAL, EventKind.ENDED]
    assert "no reading in the last" in events[-1].text


def test_the_database_taken_away_is_brought_back_whole(plan_for, database, clock):
    def tell(told):
        if told.reading and told.reading.frequency_hz and not tell.done:
            tell.done = True
            database.unlink()

    tell.done = False
    (run_id,) = keep(
        [plan_for("stranger-steady", readings=400)], database, clock, tell=tell
    )
    with closing(Reader.open(database)) as reader:
        assert reader.count(run_id) == 400
        kinds_found = [event.kind for _, event in reader.events(run_id)]
    assert EventKind.STORE_REPLACED in kinds_found


def test_a_bench_in_use_is_refused_with_who_holds_it(plan_for, database, clock):
    plan = plan_for("stranger-held", address="bench-7", readings=500)
    refused = []

    def tell(told):
        if told.kind == "begun":
            refused.append(second_keeper())

    def second_keeper():
        from benchlog.recorder.launch import launch

        try:
            launch([plan], database.with_name("other.db"))
        except BusyError as error:
            return str(error)
        except BenchlogError as error:
            return str(error)
        return "not refused"

    onlooker = Onlooker(database, 1, Request("stop"))

    def both(told):
        tell(told)
        onlooker(told)

    keep([plan], database, clock, tell=both)
    assert "bench-7" in refused[0]
    assert "C-0001" in refused[0]
