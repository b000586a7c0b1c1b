"""The database file alone holds the runs that are over, whoever looked on meanwhile."""

import os
import shutil
import signal
from pathlib import Path

from cli.conftest import Line
from cli.test_terminal import ended_how, measure, terminal
from waiting import wait_for

from benchlog.errors import StoreError
from benchlog.store.files import size_of, wal_of
from benchlog.store.reader import Reader


def readings_in_a_copy(line: Line) -> int:
    """Copy the file as a person does, without what lies beside it."""
    folder = line.folder / "stick"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    copy = Path(shutil.copy(line.db, folder / "copy.db"))
    try:
        with Reader.open(copy) as reader:
            run = reader.latest_run()
            return 0 if run is None or run.open else reader.count(run.id)
    except StoreError:  # nothing is in it yet
        return 0


def test_copied_while_the_screen_still_shows_the_run(line: Line, bench: str) -> None:
    with terminal(line, *measure(bench, "--device", "K", "--readings", "15")) as screen:
        screen.until("readings reached")
        screen.until_true(lambda: readings_in_a_copy(line) == 15)
        screen.look_for(1.0)
        screen.type("q")
        assert screen.exit_code() == 0
    assert readings_in_a_copy(line) == 15
    assert not wal_of(line.db).exists()


def test_a_log_left_by_programs_that_were_killed_is_folded_in(
    line: Line, bench: str
) -> None:
    words = measure(bench, "--device", "K", "--readings", "100000")
    with terminal(line, *words) as screen:
        screen.until_measuring(line)
        (socket,) = line.folder.glob("*.sock")
        keeper = int(socket.name.split(".")[-2])
        os.kill(keeper, signal.SIGKILL)
        screen.process.kill()
        screen.process.wait()
        wait_for(lambda: not Path(f"/proc/{keeper}").exists())
    socket.unlink()
    assert size_of(wal_of(line.db)) > 0
    with Reader.open(line.db) as reader:
        kept = reader.count(1)
    assert kept >= 3
    with Reader.open(line.db) as onlooker:  # in use: everything stays as it is
        assert onlooker.count(1) == kept
        assert line.run("runs").returncode == 0
        assert size_of(wal_of(line.db)) > 0
        assert onlooker.count(1) == kept
    assert line.run("runs").returncode == 0
    assert not wal_of(line.db).exists()
    with Reader.open(line.db) as reader:
        assert reader.count(1) == kept


def test_a_folder_that_may_not_be_written_is_still_read(line: Line, bench: str) -> None:
    done = line.run(*measure(bench, "--device", "K", "--readings", "12", "--no-screen"))
    assert done.returncode == 0, done.stderr
    assert ended_how(line) == "readings reached"
    held = Reader.open(line.db)
    line.db.chmod(0o444)
    line.folder.chmod(0o555)
    try:
        for command in ("runs", "show"):
            said = line.run(command, "--json")
            assert said.returncode == 0, said.stderr
    finally:
        line.folder.chmod(0o755)
        held.close()
