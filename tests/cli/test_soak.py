"""`soak` without a terminal: lengths, resuming, what is refused, a service's end."""

import os
import shutil
import signal
import socket
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cli.conftest import PROGRAM, Line, document
from waiting import wait_for
from warm_program import Program

from benchlog.cli.tasks.soaking import moment_utc_ns
from benchlog.errors import UsageError

PART = "quartz-16mhz-30ppm"
S = 10**9


def soak(line: Line, bench: str, *more: str, **env: str) -> object:
    words = ("--bench", bench, "--part", PART, "--device", "KX-0412")
    return line.run("soak", *words, *more, **env)


@pytest.mark.campaign  # every suite: the next test
def test_a_soak_ends_by_its_length_and_says_how_it_was(line: Line, bench: str) -> None:
    figures = document(soak(line, bench, "--for", "60s", "--json"))
    assert figures["purpose"] == "soak"
    assert figures["ended_how"] == "time reached"
    assert int(str(figures["readings"])) > 20
    events = figures["events"]
    assert isinstance(events, list)
    assert [set(event) for event in events] == [{"utc", "kind", "text"}] * len(events)
    assert [event["kind"] for event in events] == ["started", "ended"]
    assert figures["summary"]["gaps"] == 0
    shown = line.run("show", "1").stdout
    assert "duration" in shown
    assert "causes" in shown


def test_a_killed_soak_goes_on_by_itself(line: Line, bench: str) -> None:
    words = ["soak", "--bench", bench, "--part", PART, "--device", "KX-1"]
    # it must not be over before a busy computer has begun it again
    words += ["--for", "200s", "--no-screen", "--resume-last"]
    with line.started(*words) as process:
        wait_for(lambda: line.readings() > 10)
        process.kill()
        process.wait()
    before = line.readings()
    done = line.run(*words, "--json")  # the same command, as a service has it
    figures = document(done)
    assert figures["run"] == 1
    assert figures["gaps"] == 1
    assert (figures["purpose"], figures["ended_how"]) == ("soak", "time reached")
    assert figures["readings"] > before
    events = figures["events"]
    assert [set(event) for event in events] == [{"utc", "kind", "text"}] * len(events)
    assert [event["kind"] for event in events] == ["started", "gap", "ended"]
    assert figures["summary"]["causes"] == {"gap": 1}
    assert "resuming run 1" in done.stderr
    assert "this one keeps its own end" in done.stderr
    shown = line.run("show", "1").stdout
    assert "duration" in shown and "causes" in shown


def test_a_service_manager_is_told_and_sigterm_ends_cleanly(
    line: Line, bench: str
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(line.folder / "notify"))
        manager.settimeout(20)
        words = ["soak", "--bench", bench, "--part", PART, "--device", "KX-1"]
        with Program(
            [*PROGRAM, *words, "--no-screen"],
            cwd=line.folder,
            env=line.environment() | {"NOTIFY_SOCKET": str(line.folder / "notify")},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            said = _until(manager, b"STATUS=run 1: ")
            while int(said[-1].split()[2].replace(b",", b"")) < ENOUGH:
                said += _until(manager, b"STATUS=run 1: ")
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=20)
        said += _until(manager, b"STOPPING=1")
    assert b"READY=1" in said
    assert b"WATCHDOG=1" in said
    assert "run 1 ended: interrupted" in err
    assert "PASS" in out


ENOUGH = 10
"""Readings that a verdict of this part can be had from."""


def _until(manager: socket.socket, wanted: bytes) -> list[bytes]:
    said = [manager.recv(1000)]
    while not said[-1].startswith(wanted):
        said.append(manager.recv(1000))
    return said


@pytest.fixture(scope="module")
def one_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with a run that was no soak."""
    demo = Line(tmp_path_factory.mktemp("demo"))
    demo.run("demo", "--readings", "3", "--no-screen", "--db", str(demo.db))
    return demo.db


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--resume-last",), "no soak broke off, so there is nothing to go on with"),
        (("--resume", "1", "--bench", "b"), "--resume takes bench"),
        (("--part", PART), "which bench"),
        (("--resume", "7"), "no run '7'"),
        (("--resume", "1", "--for", "1h", "--until", "07:00"), "not both"),
    ],
)
def test_what_cannot_be_is_one_sentence(
    line: Line, one_run: Path, words: tuple[str, ...], said: str
) -> None:
    shutil.copy(one_run, line.db)
    done = line.run("soak", *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


NOW = int(datetime(2026, 11, 25, 12, 0, tzinfo=UTC).timestamp()) * S


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> object:
    import time

    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("13:30", "2026-11-25T12:30"),
        ("07:30", "2026-11-26T06:30"),
        ("13:00:01", "2026-11-25T12:00:01"),
        ("2026-12-01T08:00", "2026-12-01T07:00"),
        ("2026-12-01T08:00Z", "2026-12-01T08:00"),
    ],
)
def test_times_are_local_and_ahead(berlin: object, text: str, means: str) -> None:
    expected = datetime.fromisoformat(means).replace(tzinfo=UTC).timestamp()
    assert moment_utc_ns(text, NOW) == round(expected * S)


def test_the_night_of_summer_time_is_an_hour_shorter(berlin: object) -> None:
    eve = datetime(2027, 3, 27, 21, 0, tzinfo=UTC).timestamp()  # 22:00 local
    assert moment_utc_ns("07:00", round(eve * S)) / S - eve == 8 * 3600


@pytest.mark.parametrize("text", ["25:00", "soon", "2026-11-25T11:00Z", "2020-01-01"])
def test_no_time_or_a_past_one_is_refused(berlin: object, text: str) -> None:
    with pytest.raises(UsageError):
        moment_utc_ns(text, NOW)
    assert os.environ["TZ"]
