"""`stop RUN` ends a run of another process; what does not go on is refused."""

import json
import os

from cli.conftest import Line
from click.testing import CliRunner
from waiting import wait_for

from benchlog.cli import root
from benchlog.cli.command import COMMANDS, GIVING_WAY
from benchlog.priority import keeper_beside

PART = "quartz-16mhz-30ppm"


def runs_of(line: Line) -> list[dict]:
    done = line.run("runs", "--json")
    return json.loads(done.stdout) if done.returncode == 0 else []


def test_a_run_is_stopped_from_another_terminal(line: Line, bench: str) -> None:
    words = ["soak", "--bench", bench, "--part", PART, "--device", "KX-1"]
    with line.started(*words, "--for", "2h", "--no-screen") as process:
        wait_for(lambda: line.readings() > 3)
        (going,) = runs_of(line)
        assert (going["state"], going["does_not_count"]) == ("running", "not ended")
        assert "running" in line.run("runs").stdout
        done = line.run("stop", "1")
        assert done.returncode == 0, done.stderr
        assert "run 1 of KX-1 is stopped" in done.stderr
        process.communicate(timeout=20)
    (ended,) = runs_of(line)
    assert (ended["ended_how"], ended["counts"]) == ("stopped", True)
    again = line.run("stop", "1")
    assert again.returncode == 2 and "is over (stopped)" in again.stderr
    assert line.run("stop", "7").returncode == 2


def test_a_run_that_nobody_keeps_cannot_be_stopped(line: Line, bench: str) -> None:
    words = ["soak", "--bench", bench, "--part", PART, "--device", "KX-1"]
    with line.started(*words, "--for", "2h", "--no-screen") as process:
        wait_for(lambda: line.readings() > 3)
        process.kill()
        process.wait()
    (left,) = runs_of(line)
    assert (left["counts"], left["does_not_count"]) == (False, "not ended: broken off")
    assert "does not count: not ended: broken off" in line.run("runs").stdout
    assert "does not count: not ended: broken off" in line.run("show", "1").stdout
    done = line.run("stop", "1")
    assert done.returncode == 2 and "nobody keeps it" in done.stderr


def test_commands_that_look_give_way_to_a_keeper_and_nothing_else(
    line: Line, bench: str
) -> None:
    given: list[int] = []

    def gives_way() -> None:
        given.append(1)

    def typed(*words: str) -> None:
        done = CliRunner().invoke(root, words, obj=gives_way)
        assert done.exit_code == 0, done.output

    words = ["soak", "--bench", bench, "--part", PART, "--device", "KX-1"]
    with line.started(*words, "--for", "2h", "--no-screen") as process:
        wait_for(lambda: line.readings() > 3)
        database = line.db
        assert keeper_beside(database)
        own, its = (os.getpriority(os.PRIO_PROCESS, one) for one in (0, process.pid))
        assert its == own
        typed("runs", "--db", str(database))
        typed("parts")
        assert given == [1]
        line.run("stop", "1")
        process.communicate(timeout=20)
    assert not keeper_beside(database)
    typed("runs", "--db", str(database))
    assert given == [1]


def test_a_command_that_measures_never_gives_way() -> None:
    assert set(COMMANDS) > GIVING_WAY
    measuring = {"measure", "soak", "inspect", "qualify", "trim", "demo", "refcheck"}
    assert GIVING_WAY.isdisjoint(measuring)
