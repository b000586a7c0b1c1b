"""What a driver hands over wrong ends no run, and what it writes into the pipe neither.

Before the checks, of these cases 19 ended the keeper with all its runs, three made it
hang for ever, one was unpickled and run, one stamp of next year had every reading after
it refused, and True was a reading of 1 Hz.
"""

import os
import re
import signal
import threading
from contextlib import closing
from dataclasses import replace

import pytest
from recorder.strangers import stranger_cases as wrongs

from benchlog.clock import HostClock, host_deadline
from benchlog.errors import InstrumentError
from benchlog.model import (
    EventKind,
    Flag,
    Identity,
    InstrumentSpec,
    PositionSpec,
    Sample,
)
from benchlog.recorder.instruments import message_pipe
from benchlog.recorder.instruments.instrument_messages import (
    LONGEST_FAILED_RAW,
    AboutToOpen,
    Failed,
    Got,
    Job,
    Opened,
    Said,
)
from benchlog.recorder.instruments.instrument_process import Child
from benchlog.recorder.instruments.message_pipe import Inbox, Outbox, widen
from benchlog.recorder.instruments.message_wire import (
    HEAD,
    ForeignBytesError,
    from_body,
    to_frame,
)
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader

TIMES = re.compile(r"\(([\d,]+) times from ")
ENOUGH = 12  # values, of which the sixth is wrong
ERRORS = {
    "error with raw as text": ("garbled", "odd"),
    "error of another kind": ("instrument", "over"),
    "error without words": ("instrument", "MuteError without a word"),
    "error huge": ("garbled", "xxx"),
    "error of its own huge": ("driver", "failed by itself: ValueError: xxx"),
    "error with surrogates": ("garbled", "\\ud800"),
}
"""Errors that a driver may raise, and what is told of them."""


class Hurried:
    """Orders to an instrument process: read on, without pauses, so many values."""

    hold = stop = False
    begun = 0

    def __init__(self, values):
        self.left = values

    def rest(self, real_s, begun=None):
        assert real_s >= 0
        return self.stop

    def took_one(self):
        self.left -= 1
        self.stop = self.left == 0


def spec_of(case, tmp_path, driver="stranger-wrong"):
    options = {"state": str(tmp_path / "state"), "case": case, "gate_s": 1e-4}
    return InstrumentSpec(name="counter", driver=driver, options=options)


def all_said(job, clock):
    """Run a driver as its process does; return what the keeper hears."""
    read, write = os.pipe()
    widen(write)
    with closing(Inbox(read)) as inbox:
        Child(job, write, Hurried(ENOUGH), clock).run()
        os.close(write)
        heard = []
        while (more := inbox.read()) is not None:
            heard += more
        assert inbox.foreign == ""
    return heard


def field_of(case):
    """Return the field that a case is about, as an event names it."""
    word = case.split()[0]
    if case in wrongs.IDENTITIES:
        said = case.split()[1]
        whole = word == "no" or said == "a"
        return "identify()" if whole else f"Identity.{said}"
    if case in wrongs.MESSAGES:
        return "messages()"
    if case in wrongs.PROMISES:
        return word
    return "read()" if word in ("no", "a", "like") else f"Sample.{word}"


@pytest.mark.parametrize("case", wrongs.CASES)
def test_what_no_driver_may_hand_over_is_told_with_its_field(case, tmp_path, clock):
    heard = all_said(Job(spec=spec_of(case, tmp_path), hold=False), clock)
    failed = [m for m in heard if isinstance(m, Failed) and m.kind != "lost"]
    (told,) = failed
    if case in ERRORS:
        kind, words = ERRORS[case]
        assert (told.kind, words in told.message) == (kind, True)
        assert len(told.raw) <= LONGEST_FAILED_RAW
    else:
        assert told.kind == "driver"
        assert told.message.startswith("driver 'stranger-wrong' is at fault: ")
        assert field_of(case) in told.message
        assert len(told.message) < 300
    values = [m.sample for m in heard if isinstance(m, Got)]
    assert len(values) == ENOUGH
    assert {type(sample.value) for sample in values} == {float}
    assert heard.index(told) < max(heard.index(m) for m in heard if isinstance(m, Got))


def kept(plan, spec, database, clock, tell=lambda _: None):
    plan = replace(plan, bench=replace(plan.bench, instruments={"counter": spec}))
    began = host_deadline(60.0)
    (run_id,) = keep([plan], database, clock, tell=tell)
    assert not began.passed
    with closing(Reader.open(database)) as reader:
        run = reader.run(run_id)
        return (
            run,
            reader.columns_after(run_id),
            [event for _, event in reader.events(run_id)],
        )


@pytest.mark.parametrize(
    "case", ["value as text", "messages of numbers", "read_limit_s infinite"]
)
def test_a_run_goes_on_after_it(case, plan_for, database, clock, tmp_path):
    spec = spec_of(case, tmp_path)
    plan = plan_for("stranger-wrong", readings=20)
    _, columns, events = kept(plan, spec, database, clock)
    assert len(columns) == 20
    told = [event.text for event in events if event.kind == "driver"]
    assert len(told) == 1
    assert field_of(case) in told[0] and "'stranger-wrong'" in told[0]
    assert (columns.flags & Flag.GAP_BEFORE).any()


@pytest.mark.parametrize(
    "case", ["half a head", "half a body", "a huge length", "a pickled order"]
)
def test_foreign_bytes_in_the_pipe_cost_a_gap(
    case, plan_for, database, tmp_path, monkeypatch
):
    monkeypatch.setattr(message_pipe, "HALF_S", 0.3)
    monkeypatch.setenv("STRANGER_BOMB", str(tmp_path / "bomb"))
    spec = spec_of(case, tmp_path, "stranger-forger")
    plan = plan_for("stranger-forger", readings=20)
    _, columns, events = kept(plan, spec, database, HostClock())
    assert len(columns) == 20
    kind = EventKind.HUNG if case.startswith("half") else EventKind.CRASHED
    (told,) = [event for event in events if event.kind == kind]
    assert "SIGKILL" in told.text
    if kind == EventKind.CRASHED:
        assert "wrote what is no message" in told.text
    assert not (tmp_path / "bomb").exists()


def test_a_process_that_stops_in_a_message_does_not_hold_up_sigterm(
    plan_for, database, clock, tmp_path
):
    spec = spec_of("half a body", tmp_path, "stranger-forger")
    seen = []

    def tell(told):
        seen.append(told.kind)
        if seen.count("reading") == 5:
            end = threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGTERM))
            end.start()

    plan = plan_for("stranger-forger", readings=20)
    run, columns, _ = kept(plan, spec, database, clock, tell)
    assert run.ended_how == "interrupted"
    assert len(columns) == 5


def test_a_probe_without_a_number_is_told_once_and_counted(
    plan_for, database, clock, tmp_path
):
    plan = plan_for("stranger-steady", readings=30)
    room = replace(spec_of("", tmp_path, "stranger-fickle"), name="room")
    room = replace(room, options={"gate_s": 0.01})
    bench = replace(
        plan.bench,
        instruments={**plan.bench.instruments, "room": room},
        positions=(PositionSpec(name="A", frequency="counter", ambient="room"),),
    )
    (run_id,) = keep([replace(plan, bench=bench)], database, clock, tell=lambda _: None)
    with closing(Reader.open(database)) as reader:
        values = [one.value for _, one in reader.conditions(run_id)]
        events = [event for _, event in reader.events(run_id)]
    assert len(values) > 10 and set(values) == {23.5}
    told = [event for event in events if event.kind == EventKind.REJECTED]
    assert [event.instrument for event in told] == ["room", "room"]
    assert "not finite" in told[0].text
    assert "values more that are not finite" in told[1].text


def test_a_flood_of_messages_is_told_sixteen_times_and_then_counted(
    plan_for, database, clock, tmp_path
):
    """Each was an event: 112,672 in 25 s, and the keeper took a minute to end."""
    spec = replace(spec_of("", tmp_path, "stranger-chatty"), options={"gate_s": 0.01})
    plan = plan_for("stranger-chatty", readings=40)
    _, columns, events = kept(plan, spec, database, clock)
    assert len(columns) == 40
    told = [one for one in events if one.kind == EventKind.INSTRUMENT_MESSAGE]
    plain = [one.text for one in told if " times from " not in one.text]
    assert plain[:3] == ['-350,"Queue overflow"', '-1,"Number 1"', '-2,"Number 2"']
    assert len(plain) == 17  # sixteen causes, and the first of those beyond
    assert len(told) < 17 + 2 * 8
    last = [one.text for one in told if " times from " in one.text][-2:]
    count = sum(int(found[1].replace(",", "")) for found in map(TIMES.search, last))
    assert count >= 39 * 100 - 15  # not told one by one, but none is missing
    assert sum(", and others (" in text for text in last) == 1


def test_a_process_that_ends_before_the_run_begins_is_told_with_a_next_step(
    plan_for, database, clock
):
    with pytest.raises(InstrumentError, match=r"'counter' .*; `benchlog check-bench`"):
        keep([plan_for("stranger-gone")], database, clock, tell=lambda _: None)


# --- the pipe itself

SAMPLE = Sample(16e6 + 1 / 3, "Hz", 5, 7, 0.01, b"\x00\xff1.6E7", 0.1, Flag.NO_FIX)
MESSAGES = [
    AboutToOpen(3),
    Got(SAMPLE, 0.25),
    Got(replace(SAMPLE, value=float("inf"), step=None)),
    Said('-113,"Undefined header\u202e\x1b"'),
    Failed(kind="garbled", message="ä", address="x", command="", raw=bytes(range(256))),
    Opened(
        identity=Identity("A,B,C", "A", "B", "C", "1", True, {"gate_s": "0.1"}),
        quantity="frequency",
        unit="Hz",
        read_limit_s=1 / 3,
        period_s=0.0,
    ),
]


@pytest.mark.parametrize("message", MESSAGES)
def test_a_message_comes_back_as_it_was(message):
    assert from_body(to_frame(message)[HEAD.size :]) == message


def test_messages_in_pieces_are_put_together():
    stream = b"".join(map(to_frame, MESSAGES))
    read, write = os.pipe()
    heard = []
    with closing(Inbox(read)) as inbox:
        for at in range(0, len(stream), 7):
            os.write(write, stream[at : at + 7])
            heard += inbox.read()
        os.close(write)
        assert inbox.half is None
        assert inbox.read() is None
    assert heard == MESSAGES


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"null",
        b"[",
        b"[" * 100_000,
        b'["got"]',
        b'["got",1.6e7,"Hz",1,1,0.1,"",null,0,' + b"9" * 5_000 + b"]",
        b'["got",true,"Hz",1,1,0.1,"",null,0,0.0]',
        b'["got",1e400,"edge",1,1,0.1,"",null,0,0.0]',
        b'["got",1.6e7,"Hz",1,1,0.1,"=",null,0,0.0]',
        b'["got",1.6e7,"Hz",1,1,0.1,"",null,1024,0.0]',
        b'["said",5]',
        b'["said","' + b"x" * 10_000 + b'"]',
        b'["opened",[],"frequency","Hz",1.0,0.0]',
        b'["opened",["x","","","","",false,{}],"frequency","Hz",1e308,0.0]',
        b'["about-to-open",-1]',
        b'["ended","by itself"]',
        b'{"got":1}',
        b"\xff\xfe",
        b"\x80\x04\x95.",
    ],
)
def test_what_is_no_message_is_refused_and_nothing_else(body):
    with pytest.raises(ForeignBytesError):
        from_body(body)


@pytest.mark.parametrize("case", [*wrongs.FORGED, "a pickled order"])
def test_foreign_bytes_are_seen_at_once_or_when_the_rest_is_late(case, monkeypatch):
    monkeypatch.setattr(message_pipe, "HALF_S", 0.0)
    read, write = os.pipe()
    with closing(Inbox(read)) as inbox:
        os.write(write, to_frame(MESSAGES[0]) + wrongs.FORGED[case])
        assert inbox.read() == MESSAGES[:1]
        if case.startswith("half"):
            assert inbox.half is not None and inbox.half.passed
        else:
            assert inbox.foreign
            assert inbox.read() is None
            assert inbox.read_rest() == []
    os.close(write)


def test_orders_that_nobody_reads_do_not_block():
    read, write = os.pipe()
    order = b"x" * 1_000
    with closing(Outbox(write)) as outbox:
        sent = [outbox.send(order) for _ in range(3_000)]
        assert sent[0] and not sent[-1]
        limit, got = host_deadline(5.0), b""
        while len(got) < 3_000_000 and not limit.passed:
            got += os.read(read, 65_536)
            outbox.flush()
        assert got == order * 3_000
    os.close(read)
