"""What comes to a keeper's socket: nothing of it ends a run or keeps others out."""

import json
import select
import signal
import socket
from contextlib import ExitStack

import pytest
from keeper_door import kept_soak
from waiting import wait_for

from benchlog.control import MAX_LINE
from benchlog.keepers import state_of
from benchlog.model import EventKind


@pytest.fixture(scope="module")
def keeper(tmp_path_factory):
    with kept_soak(tmp_path_factory.mktemp("door")) as kept:
        yield kept


UNFIT = [
    {"do": "device", "run": 1, "text": "x"},
    {"do": "device", "run": 1, "text": "KX-1", "position": "A"},
    {"do": "aside", "run": 1},
    {"do": "damaged", "run": 1},
    {"do": "meant", "run": 1},
    {"do": "take-out", "run": 1},
    {"do": "skip", "run": 1},
    {"do": "undo"},
    {"do": "stop", "run": True},
    {"do": "stop", "run": 10**400},
    {"do": "mark", "run": 1, "text": "\ud800", "at_mono_ns": 10**300},
    {"do": ["stop"]},
    {"do": "burn"},
    ["stop"],
    None,
]


def test_what_does_not_fit_is_answered_and_the_soak_goes_on(keeper):
    for request in UNFIT:
        answer = keeper.say(json.dumps(request).encode() + b"\n")
        assert answer["ok"] is False and answer["error"], request
    assert keeper.goes_on()


def test_a_soak_names_what_it_knows(keeper):
    answer = keeper.say(b'{"do": "aside", "run": 1}\n')
    assert "belongs to a lot's inspection" in answer["error"]


DEEP = [b"[" * 60_000, b'{"do":' * 10_000, b'{"do": "stop", "run": ' + b"[" * 40]


@pytest.mark.parametrize("said", DEEP, ids=["brackets", "braces", "a few"])
def test_depth_is_bounded(keeper, said):
    assert "deep" in keeper.say(said + b"\n")["error"]
    assert keeper.goes_on()


def test_length_is_bounded_and_said(keeper):
    with keeper.caller() as link:
        link.sendall(b"x" * (MAX_LINE + 1))
        assert "longest" in json.loads(link.recv(4_096))["error"]
    assert keeper.goes_on()


def test_brackets_within_a_text_are_text(keeper):
    text = "[" * 300 + '"\\{'
    line = json.dumps({"do": "note", "run": 1, "text": text}).encode()
    assert keeper.say(line + b"\n")["ok"]
    wanted = (EventKind.NOTE, text)
    wait_for(lambda: wanted in [(e.kind, e.text) for e in keeper.events()])


def test_those_who_say_nothing_keep_nobody_out(keeper):
    with ExitStack() as stack:
        for _ in range(100):
            stack.enter_context(keeper.caller())
        assert keeper.goes_on()
        assert state_of(keeper.run(), keeper.database) == "running"


def test_those_who_dribble_keep_nobody_out(keeper):
    with ExitStack() as stack:
        several = [stack.enter_context(keeper.caller()) for _ in range(32)]
        for caller in several:
            caller.sendall(b"{")
        with keeper.caller() as slow:  # the newest: the idlest has gone for it
            slow.sendall(b'{"do": ')
            slow.sendall(b'"status"}\n')
            assert json.loads(slow.recv(4_096))["ok"]
        gone, _, _ = select.select(several, [], [], 5)
        assert len(gone) == 1


def test_who_says_nothing_is_sent_away_after_a_while(keeper):
    """Takes 2 to 3 s: that is the while."""
    with keeper.caller(within_s=12) as idle:
        assert idle.recv(1) == b""
    assert keeper.goes_on()


def test_a_crowd_at_the_door_is_no_sign_of_a_dead_keeper(keeper):
    """The kernel turns callers away while too many wait to be let in."""
    keeper.signal(signal.SIGSTOP)  # nobody is let in
    try:
        with ExitStack() as stack:
            for _ in range(300):
                link = stack.enter_context(socket.socket(socket.AF_UNIX))
                link.setblocking(False)
                try:
                    link.connect(str(keeper.path))
                except BlockingIOError:
                    break
            else:
                pytest.fail("the kernel let all wait")
            assert state_of(keeper.run(), keeper.database) == "running"
    finally:
        keeper.signal(signal.SIGCONT)
    assert keeper.goes_on()
