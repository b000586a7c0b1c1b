"""What comes to a keeper's socket: nothing of it ends a run or keeps others out."""

import json
import select
import signal
import socket
from contextlib import ExitStack

import pytest
from keeper_door import kept_soak
from waiting import wait_for
from warm_program import PROGRAM, run

from benchlog.control import MAX_LINE, VERBS
from benchlog.keepers import state_of
from benchlog.model import EventKind
from benchlog.screen import control_client
from benchlog.store.reader import Reader


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
        answer = keeper.asked(request)
        assert answer["ok"] is False and answer["error"], request
    assert keeper.goes_on()


def test_a_soak_names_what_it_knows(keeper):
    answer = keeper.asked({"do": "aside", "run": 1})
    assert "belongs to a lot's inspection" in answer["error"]


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("told", [{}, {"database": ""}, {"database": "1:2"}])
def test_who_looks_at_another_database_gets_nothing(keeper, verb, told):
    request = {"do": verb, "run": keeper.run_id, "text": "KX-1"} | told
    answer = keeper.say(json.dumps(request).encode() + b"\n")
    assert not answer["ok"] and "another database" in answer["error"]
    assert answer["data"] == {"elsewhere": True}
    assert keeper.goes_on()


async def test_a_strangers_database_beside_it_reaches_no_keeper(keeper):
    """Its run 1 names the socket of a keeper that has a run 1 of another database."""
    strange = keeper.database.with_name("strange.db")
    with Reader.open(keeper.database) as reader:
        reader.copy_into(strange)
    done = run(
        [*PROGRAM, "stop", str(keeper.run_id), "--db", str(strange)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2 and "was broken off" in done.stderr
    assert state_of(keeper.run(), strange) == "broken off"
    assert (await control_client.hear(strange, keeper.run())).state == "gone"
    answer = await control_client.ask(strange, keeper.run(), "stop")
    assert not answer.ok and "another database" in answer.error
    assert keeper.goes_on()
    assert state_of(keeper.run(), keeper.database) == "running"


async def test_a_screen_reaches_its_keeper_when_the_file_has_another_name(keeper):
    told, moved = keeper.file, keeper.database.with_name("moved.db")
    run = keeper.run()
    keeper.database.rename(moved)
    try:
        assert (await control_client.hear(keeper.database, run, told)).state == "here"
        assert (await control_client.hear(moved, run)).state == "here"
    finally:
        moved.rename(keeper.database)


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
    assert keeper.asked({"do": "note", "run": 1, "text": text})["ok"]
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
            slow.sendall(f'"status", "database": "{keeper.file}"}}\n'.encode())
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
