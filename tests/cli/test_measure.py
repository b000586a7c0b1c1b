"""`measure` and `demo` without a terminal, on real sockets: figures, exit codes."""

import json
import re
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli.conftest import Line, document
from tiers import seldom
from waiting import wait_for
from warm_program import children_of

PART = "quartz-16mhz-30ppm"
KEYS = {
    "run", "device", "part", "nominal_hz", "readings", "gaps", "offset_ppm", "u_ppm",
    "jitter_ppm_rms", "jitter_ppm_pp", "ambient_c", "limit_ppm", "verdict",
    "conformance", "timebase",
}  # fmt: skip
"""The keys that scripts rely on (design.md, "The command line's contract")."""


@pytest.mark.parametrize(
    ("offset_ppm", "verdict", "code"),
    [
        ("-9.25", "pass", 0),
        # every suite has these of `measure`, below
        seldom("100", "fail", 3),
        seldom("29.75", "undecided", 4),
    ],
)
def test_demo_is_one_document_and_the_verdicts_exit_code(
    line: Line, offset_ppm: str, verdict: str, code: int
) -> None:
    done = line.run(
        "demo", "--json", "--readings", "12", "--offset-ppm", offset_ppm,
        "--db", "demo.db",
    )  # fmt: skip
    figures = document(done)
    assert done.returncode == code
    assert figures.keys() >= KEYS
    assert (figures["verdict"], figures["readings"]) == (verdict, 12)
    assert figures["simulated"] is True
    # the true offset was given for 25 C; the room is cooler
    assert abs(float(str(figures["offset_ppm"])) - float(offset_ppm)) < 1.0
    assert (line.folder / "demo.db").exists() and not line.db.exists()


def test_a_demo_has_a_database_of_its_own_and_plain_lines(line: Line) -> None:
    done = line.run(
        "demo", "--readings", "3", "--no-screen", NO_COLOR="1", TERM="xterm-256color"
    )
    assert (line.folder / "demo.db").exists() and not line.db.exists()
    assert "demo.db" in done.stderr
    assert "run 1 started: measure of DEMO-0001 as " in done.stderr
    assert "device     DEMO-0001, run 1, position A, simulated\n" in done.stdout
    assert "✓ PASS" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr


def test_what_was_measured_is_listed_and_shown_again(line: Line, bench: str) -> None:
    measured = line.run(
        "measure", "--bench", bench, "--part", PART, "--device", "KX-0412 Ω\u202e",
        "--operator", "M. Okwuosa", "--note", "x'; DROP TABLE runs", "--json",
    )  # fmt: skip
    figures = document(measured)
    assert figures["ended_how"] == "verdict clear"
    assert int(str(figures["readings"])) >= 10
    shown = document(line.run("show", "--json"))
    assert (figures.pop("schema"), shown["schema"]) == ("run/1", "show/1")
    assert {key: shown[key] for key in figures} == figures
    assert shown["operator"] == "M. Okwuosa"
    assert [event["kind"] for event in shown["events"]][:1] == ["started"]  # type: ignore[index,attr-defined]
    (row,) = json.loads(line.run("runs", "--json").stdout)
    assert (row["run"], row["verdict"]) == (figures["run"], "pass")
    assert row["device"] == "KX-0412 Ω\u202e"
    text = line.run("show").stdout
    assert "KX-0412 Ω\\x202e" in text and "\u202e" not in text
    assert "time base" in text and "statistics" in text and "combined" in text


def test_two_positions_are_two_runs_in_one_list(line: Line) -> None:
    with line.bench("--positions", "2", "--offset-ppm", "100") as bench:
        done = line.run(
            "measure", "--bench", bench, "--part", PART, "--position", "A", "--device",
            "d1", "--position", "B", "--device", "d2", "--readings", "5", "--json",
        )  # fmt: skip
    first, second = json.loads(done.stdout)
    assert (first["device"], first["position"]) == ("d1", "A")
    assert (second["device"], second["position"]) == ("d2", "B")
    assert first["verdict"] == "fail"
    assert done.returncode == 3, "the worst verdict counts"

    def found(*words: str) -> list[str]:
        rows = json.loads(line.run("runs", "--json", *words).stdout)
        return [row["device"] for row in rows]

    assert found() == ["d2", "d1"]
    assert found("--device", "d1") == ["d1"]
    assert found("--part", PART, "--limit", "1") == ["d2"]
    assert found("--part", "no-such-part") == []


def test_a_run_whose_keeper_was_killed_is_broken_off_everywhere(
    line: Line, bench: str
) -> None:
    with line.started(
        "soak", "--bench", bench, "--part", PART, "--device", "d", "--for", "10h",
        "--no-screen",
    ) as process:  # fmt: skip
        assert process.stderr is not None

        def state() -> tuple[object, object]:
            said = line.run("runs", "--json").stdout  # none while the file is made
            (row,) = json.loads(said or "[]") or [{}]
            return row.get("state"), row.get("verdict")

        wait_for(lambda: line.readings() >= 12)
        wait_for(lambda: state() == ("running", "pass"))
        text = line.run("runs").stdout
        assert "running: pass" in text and " +" in text
        process.kill()
        process.wait(timeout=10)
    assert state() == ("broken off", "pass")
    assert "does not count: not ended: broken off" in line.run("runs").stdout
    assert document(line.run("show", "--json"))["state"] == "broken off"
    said = " ".join(line.run("show").stdout.split())
    assert "broken off: its keeper is gone; `benchlog soak --resume 1`" in said


@pytest.mark.parametrize(
    "number",
    # SIGTERM every suite has in test_soak.py, and at a screen in test_sigterm.py
    [signal.SIGINT, seldom(signal.SIGTERM)],
)
def test_a_signal_ends_the_run_cleanly_with_figures_so_far(
    line: Line, bench: str, number: signal.Signals
) -> None:
    with line.started(
        "measure", "--bench", bench, "--part", PART, "--device", "d", "--for", "10h",
        "--json",
    ) as process:  # fmt: skip
        assert process.stderr is not None
        while "pass" not in process.stderr.readline():
            pass
        process.send_signal(number)
        stdout, stderr = process.communicate(timeout=20)
    figures = json.loads(stdout)
    assert (figures["verdict"], figures["ended_how"]) == ("undecided", "interrupted")
    assert figures["reasons"][0] == "interrupted before its plan was over: no verdict"
    assert abs(figures["offset_ppm"] - 3) < 2, "figures so far are there"
    assert process.returncode == 4, "a verdict before the planned end is none"
    assert "Traceback" not in stderr


def test_a_reader_of_the_lines_that_goes_away_stops_nothing(
    line: Line, bench: str
) -> None:
    with line.started(
        "measure", "--bench", bench, "--part", PART, "--device", "d", "--readings",
        "40", "--json",
    ) as process:  # fmt: skip
        assert process.stderr is not None and process.stdout is not None
        process.stderr.readline()
        process.stderr.close()
        figures = json.loads(process.stdout.read())
        assert process.wait(20) == 0
    assert (figures["readings"], figures["ended_how"]) == (40, "readings reached")


def test_without_a_device_and_without_a_terminal_nothing_starts(
    line: Line, bench: str
) -> None:
    done = line.run("measure", "--bench", bench, "--part", PART)
    assert (done.returncode, done.stdout) == (2, "")
    assert "--device" in done.stderr
    assert not line.db.exists()


@pytest.fixture
def dead_bench(line: Line) -> Iterator[str]:
    """A bench file with two addresses at which nobody listens, nor can begin to."""
    with socket.socket() as counter, socket.socket() as room:
        addresses = []
        for bound in (counter, room):
            bound.bind(("127.0.0.1", 0))
            addresses.append(f"TCPIP::127.0.0.1::{bound.getsockname()[1]}::SOCKET")
        path = line.folder / "dead.toml"
        path.write_text(
            f'[instruments.counter]\ndriver = "scpi-counter"\n'
            f'address = "{addresses[0]}"\n'
            f'[instruments.room]\ndriver = "scpi-thermometer"\n'
            f'address = "{addresses[1]}"\n'
            '[[position]]\nname = "A"\nfrequency = "counter"\n'
        )
        yield path.name


def test_a_counter_that_does_not_answer_is_a_sentence_and_no_run(
    line: Line, dead_bench: str
) -> None:
    done = line.run(
        "measure", "--bench", dead_bench, "--part", PART, "--device", "d", "--json"
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert "127.0.0.1" in done.stderr and "Traceback" not in done.stderr
    listed = line.run("runs", "--json")
    assert listed.returncode == 1 or json.loads(listed.stdout) == []


def test_check_bench_reports_every_instrument_and_fails_for_one(
    line: Line, dead_bench: str
) -> None:
    done = line.run("check-bench", dead_bench, "--json")
    rows = json.loads(done.stdout)
    assert done.returncode == 1
    assert [row["instrument"] for row in rows] == ["counter", "room"]
    for row in rows:
        assert (row["ok"], row["identity"], row["value"]) == (False, None, None)
        assert row["error"]


def test_check_bench_of_a_bench_that_answers(line: Line, bench: str) -> None:
    done = line.run("check-bench", bench, "--json")
    text = line.run("check-bench", bench)
    rows = {row["instrument"]: row for row in json.loads(done.stdout)}
    assert (done.returncode, text.returncode) == (0, 0)
    assert rows.keys() == {"counter", "room", "meter"}
    assert all(row["ok"] and row["error"] is None for row in rows.values())
    assert abs(rows["counter"]["value"] / 16e6 - 1) < 30e-6
    assert rows["counter"]["identity"].startswith("SIMULATED")
    assert text.stdout.count("answers") == 3
    assert re.search(r"\b1[56],\d{3},\d{3}(\.\d+)? Hz\b", text.stdout)
    # advice is by ten readings and their scatter, not by the digits of their text
    assert re.search(r"counter: 10 readings at \S+ s move in steps of", text.stdout)
    assert "gate of counter for a limit of 30 ppm: 0.01 s" in text.stdout
    assert "0.1 ppm: 0.01 s" not in text.stdout
    assert rows["counter"]["advice"][-1].startswith("0.1 ppm")
    assert "10 readings" in rows["counter"]["seen"]


def test_a_bench_in_use_is_left_alone_and_its_holder_named(
    line: Line, bench: str
) -> None:
    words = ("measure", "--bench", bench, "--part", PART, "--device", "KX-0412")
    with line.started(*words, "--for", "10h") as process:
        assert process.stderr is not None
        while "started" not in process.stderr.readline():
            pass
        second = line.run(*words)
        checked = line.run("check-bench", bench, "--json")
        text = line.run("check-bench", bench).stdout
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
    assert (second.returncode, second.stdout) == (1, "")
    assert "in use" in second.stderr and str(process.pid) in second.stderr
    rows = json.loads(checked.stdout)
    assert checked.returncode == 1
    assert all(not row["ok"] and "in use" in row["error"] for row in rows)
    assert all(row["in_use"] for row in rows)
    assert "NO ANSWER" not in text and "in use" in text


def test_simulate_prints_addresses_and_ends_with_its_input(line: Line) -> None:
    done = line.run("simulate", "--json", "--until-eof", "--truth", "served.jsonl")
    addresses = json.loads(done.stdout)
    assert done.returncode == 0
    assert addresses["counter"].startswith("TCPIP::127.0.0.1::")
    assert addresses.keys() == {"counter", "room", "control"}


def test_simulate_ends_after_its_time(line: Line) -> None:
    done = line.run("simulate", "--for", "2s")
    assert done.returncode == 0
    assert done.stdout.startswith("counter")


def test_simulated_instruments_do_not_outlive_a_killed_demo(line: Line) -> None:
    with line.started("demo", "--no-screen", "--for", "10h", "--db", "d.db") as process:
        assert process.stderr is not None
        while "started" not in process.stderr.readline():
            pass
        pids = children_of(process.pid)
        assert pids
        process.kill()
        wait_for(lambda: not any(alive(pid) for pid in pids), within_s=15)


def alive(pid: int) -> bool:
    """Whether a process still runs (one that waits to be reaped does not)."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"
