"""What dead keepers leave, and keepers that do not answer, asked together."""

import os
import socket
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from threading import Thread

import pytest
from store.making import COUNTER, TIMEBASE, fresh_writer, plan

from benchlog.cli.tasks.finding_runs import found
from benchlog.clock import HostClock, host_moment
from benchlog.control import Answer, Request, ask, encode, file_of, listen
from benchlog.errors import BenchlogError, KeeperGoneError
from benchlog.keepers import (
    KnownKeepers,
    kept_at,
    remove_dead,
    remove_left_beside,
    socket_of,
    state_of,
)
from benchlog.recorder.keeper import keep
from benchlog.screen import control_client
from benchlog.screen.history import as_they_stand
from benchlog.store.reader import Reader

DEAD_PID = 2**22 + 1  # above what Linux gives out


@pytest.fixture
def writer(tmp_path):
    yield from fresh_writer(tmp_path)


@pytest.fixture
def runs(writer):
    """Twenty runs that have not ended, each with a keeper of its own."""
    for number in range(20):
        control = f"bench.db.{number}.sock"
        writer.begin_run(plan("D1"), {"counter": COUNTER}, TIMEBASE, control=control)
    with Reader.open(writer.path) as reader:
        return list(reader.found_runs())[::-1]


def left_at(path):
    """Leave a socket as a killed keeper does."""
    link = listen(path)
    link.close()
    assert path.is_socket()
    return path


def took_s(since):
    return (host_moment().awake_ns - since.awake_ns) / 1e9


@contextmanager
def silent_keepers(writer, runs):
    """Keepers that listen and never answer, as if they were stopped."""
    with ExitStack() as stack:
        for run in runs:
            stack.enter_context(listen(writer.path.parent / run.control))
        yield


def test_silent_keepers_are_asked_together_for_a_second(writer, runs):
    with silent_keepers(writer, runs):
        since = host_moment()
        states = KnownKeepers(writer.path).states(runs)
        assert set(states.values()) == {"running"}
        assert 0.9 < took_s(since) < 2.5


def test_a_list_asks_once_and_spends_one_second(writer, runs):
    wish = dict.fromkeys(("device", "part", "lot", "like", "since", "verdict"))
    with silent_keepers(writer, runs), Reader.open(writer.path) as reader:
        since = host_moment()
        assert {one.state for one in found(reader, wish)} == {"running"}
        assert took_s(since) < 2.5


def test_the_history_asks_once_and_spends_one_second(writer, runs):
    with silent_keepers(writer, runs):
        since = host_moment()
        stand = as_they_stand(writer.path, runs)
        assert {run.ended_how for run in stand.values()} == {"running"}
        assert took_s(since) < 2.5


def test_what_was_asked_is_not_asked_again(writer, runs):
    with silent_keepers(writer, runs):
        known = KnownKeepers(writer.path)
        known.states(runs[:10])
        since = host_moment()
        assert set(known.states(runs).values()) == {"running"}
        assert took_s(since) < 0.5  # the second was spent


def test_those_that_answer_are_heard_beside_those_that_do_not(writer, runs):
    with silent_keepers(writer, runs[1:]):
        path = writer.path.parent / runs[0].control
        with listen(path) as door:
            door.setblocking(True)
            answer = Answer(ok=True, data={"runs": {"7": "measuring", "x": "?"}})
            pid = os.fork()
            if pid == 0:
                link, _ = door.accept()
                link.recv(1_000)
                link.send(encode(answer))
                os._exit(0)
            paths = [writer.path.parent / run.control for run in runs]
            heard = kept_at(paths, file_of(writer.path), 0.5)
            os.waitpid(pid, 0)
    assert heard[path] == {7}
    assert [kept for kept in heard.values() if kept is None] == [None] * 19


@contextmanager
def answering(path, answer):
    """A keeper, perhaps a stranger's, that answers so."""

    def serve():
        with suppress(OSError):
            while True:
                link, _ = door.accept()
                link.recv(1_000)
                link.send(encode(answer))
                link.close()

    with listen(path) as door:
        door.setblocking(True)
        Thread(target=serve, daemon=True).start()
        yield
        door.shutdown(socket.SHUT_RDWR)


async def test_a_run_that_no_database_could_number_is_passed_over(writer, runs):
    """Python reads no number of 5,000 digits, and a database none of 20."""
    named = {"9" * 5_000: "paused", "9" * 20: "", str(runs[0].id): "measuring"}
    answer = Answer(ok=True, data={"runs": named, "begun": [runs[0].id, {}, "x"]})
    with answering(writer.path.parent / runs[0].control, answer):
        assert state_of(runs[0], writer.path) == "running"
        heard = await control_client.hear(writer.path, runs[0])
    assert heard.open_runs == ((runs[0].id, "measuring"),)
    assert heard.begun == (runs[0].id,)


# --- sockets of dead keepers


def test_whoever_finds_a_dead_socket_removes_it(writer, runs):
    run = runs[0]
    path = left_at(writer.path.parent / run.control)
    assert state_of(run, writer.path) == "broken off"
    assert not path.exists()


async def test_a_screen_that_finds_one_removes_it(writer, runs):
    path = left_at(writer.path.parent / runs[0].control)
    status = await control_client.hear(writer.path, runs[0])
    assert status.state == "gone" and not path.exists()


def test_the_next_keeper_removes_what_others_left(plan_for, database):
    dead = left_at(database.with_name(f"{database.name}.{DEAD_PID}.sock"))
    half = database.with_name(f"{database.name}.{DEAD_PID}.sock.new")
    left_at(half.with_suffix("")).rename(half)
    other = left_at(database.with_name(f"another.db.{DEAD_PID}.sock"))
    keep([plan_for("stranger-steady")], database, HostClock(), tell=lambda _: None)
    assert (dead.exists(), half.exists(), other.exists()) == (False, False, True)


def test_only_dead_sockets_of_ours_are_removed(tmp_path):
    file = tmp_path / "a.db.7.sock"
    file.write_text("somebody's notes")
    link = tmp_path / "a.db.8.sock"
    link.symlink_to(left_at(tmp_path / "elsewhere.1.sock"))
    named_otherwise = left_at(tmp_path / "another program's")
    with listen(tmp_path / "a.db.9.sock") as alive:
        for path in tmp_path.iterdir():
            if path.name.startswith(("a.db", "another")):
                assert not remove_dead(path)
        assert alive.fileno() >= 0
    assert file.read_text() == "somebody's notes"
    assert link.is_symlink() and named_otherwise.is_socket()


def test_what_has_no_name_yet_is_left_to_a_live_process(tmp_path):
    mine = tmp_path / f"a.db.{os.getpid()}.sock.new"
    left_at(tmp_path / "a.db.1.sock").rename(mine)
    assert remove_left_beside(tmp_path / "a.db") == []
    assert mine.exists()


def test_a_socket_has_its_name_once_it_listens(tmp_path):
    """So that one which refuses is dead, and not about to listen."""
    path, seen = tmp_path / "a.db.1.sock", []

    class Watching(socket.socket):
        def listen(self, *args):
            seen.append(path.exists())
            super().listen(*args)

    real, socket.socket = socket.socket, Watching
    try:
        listen(path).close()
    finally:
        socket.socket = real
    assert seen == [False] and path.is_socket()


@pytest.mark.parametrize(
    "name", ["/etc/passwd", "../other/a.db.1.sock", "notes.txt", "a\0b.1.sock", ""]
)
def test_a_strangers_database_names_no_socket_elsewhere(writer, runs, name):
    assert socket_of(replace(runs[0], control=name), writer.path) is None
    assert state_of(replace(runs[0], control=name), writer.path) == "broken off"


def test_a_keeper_that_closes_the_connection_is_not_gone(writer, runs):
    path = writer.path.parent / runs[0].control
    with listen(path) as door:
        door.setblocking(True)
        pid = os.fork()
        if pid == 0:
            for _ in range(2):
                door.accept()[0].close()
            os._exit(0)
        with pytest.raises(BenchlogError, match="try again") as caught:
            ask(path, Request("status"), file_of(writer.path))
        assert not isinstance(caught.value, KeeperGoneError)
        assert state_of(runs[0], writer.path) == "running"
        os.waitpid(pid, 0)
