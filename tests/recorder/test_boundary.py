"""Faults that nobody expected: an event with its traceback, and the runs go on."""

import json
import os
import socket
import subprocess
from contextlib import closing
from dataclasses import replace

import pytest

from benchlog.control import Request, ask, file_of
from benchlog.errors import BenchlogError
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.model import EventKind, Flag
from benchlog.recorder import boundary
from benchlog.recorder.control_commands import ControlCommands
from benchlog.recorder.housekeeping import Housekeeping
from benchlog.recorder.keeper import keep, opened_keeper
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.intake import Intake
from benchlog.recorder.run.live_run import LiveRun
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


def failing_at(kind, name, numbers, monkeypatch):
    """Let the calls of a method with these numbers fail as a fault of ours does."""
    real, calls = getattr(kind, name), []

    def failing(self, *args, **more):
        calls.append(args)
        if len(calls) in numbers:
            raise ZeroDivisionError(f"call {len(calls)} of {name}")
        return real(self, *args, **more)

    monkeypatch.setattr(kind, name, failing)
    return calls


@pytest.fixture
def kept(plan_for, database, clock):
    def run(driver="stranger-steady", **options):
        plan = plan_for(driver, **options)
        told = []
        (run_id,) = keep([plan], database, clock, tell=told.append)
        with closing(Reader.open(database)) as reader:
            events = [event for _, event in reader.events(run_id)]
            return reader.run(run_id), reader.columns_after(run_id), events

    return run


def faults(events):
    return [event for event in events if event.kind == EventKind.FAULT]


def test_a_message_that_cannot_be_taken_marks_a_hole(kept, monkeypatch):
    failing_at(LiveRun, "accept_sample", {6}, monkeypatch)
    run, columns, events = kept()
    assert run.ended_how == "readings reached"
    assert len(columns) == 20
    assert list((columns.flags & Flag.GAP_BEFORE) != 0).index(True) == 5
    (fault,) = faults(events)
    assert "a message of 'counter' (ZeroDivisionError: call 6" in fault.text
    raw = fault.raw.decode()
    assert raw.startswith("Got(sample=Sample(value=16000001.0")  # what was at hand
    assert "in failing" in raw and len(raw) < 6_000


def test_looking_around_may_fail(kept, monkeypatch):
    failing_at(Housekeeping, "look", range(1_000), monkeypatch)
    monkeypatch.setattr("benchlog.recorder.hearing_loop._TICK_S", 0.02)
    run, _, events = kept()
    assert run.ended_how == "readings reached"
    assert "looking around" in faults(events)[0].text


def test_a_commit_may_fail_and_nothing_is_lost_or_twice(kept, monkeypatch):
    failing_at(Writer, "commit", {3, 4}, monkeypatch)
    run, columns, events = kept()
    assert run.ended_how == "readings reached"
    assert len(columns) == len(set(columns.mono_ns.tolist())) == 20
    assert faults(events)


def test_a_judge_may_fail_after_the_commit(kept, monkeypatch):
    failing_at(LiveRun, "feed", {2}, monkeypatch)
    run, columns, events = kept()
    assert len(columns) == 20 and faults(events)
    assert run.ended_how == "readings reached"


def test_a_run_whose_end_fails_is_over_all_the_same(kept, monkeypatch):
    failing_at(Intake, "silence", {1}, monkeypatch)
    run, columns, events = kept()
    assert (run.ended_how, run.verdict) == ("readings reached", None)
    assert len(columns) == 20
    assert "the end of run 1" in faults(events)[0].text


def test_the_same_fault_is_not_told_each_time(kept, monkeypatch):
    failing_at(Bookkeeper, "look_around", range(1_000), monkeypatch)
    monkeypatch.setattr("benchlog.recorder.hearing_loop._TICK_S", 0.02)
    _, _, events = kept(readings=60)
    assert len(faults(events)) == 1


def test_a_fault_that_stays_is_told_with_how_often_it_came(kept, monkeypatch):
    failing_at(Bookkeeper, "look_around", range(1_000), monkeypatch)
    monkeypatch.setattr("benchlog.recorder.hearing_loop._TICK_S", 0.02)
    monkeypatch.setattr(boundary, "_AGAIN_S", 0.2)
    _, _, events = kept(readings=60)
    assert len(faults(events)) > 1
    assert "times by now" in faults(events)[1].text


@pytest.fixture
def asked(plan_for, database, clock):
    """Return what a keeper of this process answers, and its events."""

    def ask_while_it_runs(request):
        links = []

        def tell(told):
            if told.reading is not None and not links:
                links.append(said_to(database, request))

        plan = plan_for("stranger-steady")
        (run_id, *_) = keep([plan], database, clock, tell=tell)
        with links[0] as link, link.makefile() as lines:
            answer = json.loads(lines.readline())
        with closing(Reader.open(database)) as reader:
            return answer, [event for _, event in reader.events(run_id)]

    return ask_while_it_runs


def said_to(database, request):
    """Say something to the keeper of this process, which answers in its next turn."""
    (path,) = database.parent.glob("*.sock")
    link = socket.socket(socket.AF_UNIX)
    link.connect(str(path))
    request = request | {"database": file_of(database)}
    link.sendall(json.dumps(request).encode() + b"\n")
    return link


def test_a_request_that_fails_is_answered_and_becomes_an_event(asked, monkeypatch):
    failing_at(ControlCommands, "_pause", {1}, monkeypatch)
    answer, events = asked({"do": "pause", "run": 1})
    assert not answer["ok"]
    assert "failed at a request (ZeroDivisionError" in answer["error"]
    assert faults(events)[0].raw.startswith(b'b\'{"do": "pause"')


def test_what_a_command_refuses_is_no_fault(asked):
    answer, events = asked({"do": "again", "run": 1, "text": "\ud800"})
    assert not answer["ok"] and "device id" in answer["error"]
    assert not faults(events)


def test_a_process_for_which_there_is_no_room_is_started_later(kept, monkeypatch):
    """And nothing of what was opened for it stays open."""
    real, starts, open_files = subprocess.Popen, [], []

    def popen(*args, **more):
        starts.append(args)
        if len(starts) in (2, 3):
            open_files.append(len(os.listdir("/proc/self/fd")))
            raise BlockingIOError(11, "Resource temporarily unavailable")
        return real(*args, **more)

    monkeypatch.setattr(subprocess, "Popen", popen)
    monkeypatch.setattr("benchlog.recorder.hearing_loop._WAIT_S", 0.2)
    run, columns, events = kept(driver="stranger-crashes", max_s=60.0)
    assert run.ended_how == "readings reached" and len(columns) == 20
    (fault,) = faults(events)
    assert fault.text.startswith("the process of 'counter' could not be started (")
    assert len(starts) == 4 and open_files[0] == open_files[1]


def test_who_prints_where_nobody_reads_ends_as_before(plan_for, database, clock):
    def tell(told):
        if told.reading is not None:
            raise BrokenPipeError

    with pytest.raises(BrokenPipeError):
        keep([plan_for("stranger-steady")], database, clock, tell=tell)
    with closing(Reader.open(database)) as reader:
        assert not reader.run(1).open


def test_a_socket_that_was_tidied_away_is_made_anew(
    plan_for, database, clock, monkeypatch
):
    monkeypatch.setattr("benchlog.recorder.hearing_loop._TICK_S", 0.05)
    plan, seen = plan_for("stranger-steady", readings=40), []
    with opened_keeper([plan], database, clock, tell=lambda _: None) as keeper:
        keeper.wait_for_all()
        keeper.begin()

        def tidy():
            path = keeper.server.path
            if not seen:
                path.unlink()
            seen.append(path.exists())

        keeper.each_turn = tidy
        keeper.loop()
    assert not seen[0] and seen[-1]
    with pytest.raises(BenchlogError, match="no keeper listens"):
        ask(keeper.server.path, Request("status"), file_of(database))


def test_a_device_that_cannot_be_judged_takes_no_verdict_of_its_rack(
    kept, database, clock
):
    """The verdicts of a rack are worked out when all of its runs are over."""
    runs = [kept()[0] for _ in range(3)]
    told = []
    with closing(Reader.open(database)) as reader:
        found = [evaluate(reader, reader.run(run.id)) for run in runs]
        before = [len(reader.verdicts(run.id)) for run in runs]
    with closing(Writer.open(database, clock)) as writer:
        book = Bookkeeper(clock, writer, told.append)
        book.racked += [found[0], replace(found[1], assessment=None), found[2]]
        book.judge_racked()
    with closing(Reader.open(database)) as reader:
        after = [len(reader.verdicts(run.id)) for run in runs]
    assert [new - old for new, old in zip(after, before, strict=True)] == [1, 0, 1]
    (notice,) = told
    assert f"the verdict of run {runs[1].id} (AttributeError" in notice.text
