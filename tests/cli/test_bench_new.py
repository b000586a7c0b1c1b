"""`bench new`: on real sockets and ptys, without a terminal and in one."""

import os
import pty
import select
import subprocess
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cli.conftest import PROGRAM, Line, document
from warm_program import Program

from benchlog.catalogue import load_bench
from benchlog.clock import host_deadline
from benchlog.testing import PtyPeer, Script, Talker, TcpPeer

ANSWERS = {
    "*IDN?": "MAKER,COUNTER,7,1.0",
    "SYSTem:ERRor?": '0,"No error"',
    "SENSe:FREQuency:APERture?": "1",
}


def scpi() -> Script:
    return Script(ANSWERS, value=("READ?", "+1.5999852E+07"))


def address_of(peer: TcpPeer) -> str:
    return f"{peer.host}:{peer.port}"


def test_a_tcp_counter_by_host_and_port_makes_a_working_bench(line: Line) -> None:
    with TcpPeer(scpi()) as peer:
        where = address_of(peer)
        done = line.run(
            *("bench", "new", "corner", "--counter", where, "--ambient", "23.5"),
            *("--folder", "here", "--try"),
        )
        assert done.returncode == 0, done.stderr
        path = line.folder / "configs/benches/corner.toml"
        assert str(path.relative_to(line.folder)) in done.stderr
        assert (
            "next: benchlog measure --bench corner --device ID --nominal" in done.stderr
        )
        assert load_bench(str(path)).instruments["counter"].address == where
        assert line.run("check-bench", "corner").returncode == 0


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (scpi, ("--speaks", "scpi")),
        (lambda: Talker("15999852.0"), ("--speaks", "hz")),
        (lambda: Talker("15999852"), ("--speaks", "counts", "--dtr", "--rts")),
    ],
)
def test_a_serial_counter_that_answers_or_talks(
    line: Line, behaviour: object, words: tuple[str, ...]
) -> None:
    assert callable(behaviour)
    with PtyPeer(behaviour()) as peer:
        done = line.run(
            *("bench", "new", "serial", "--counter", peer.address, *words),
            *("--folder", "user", "--try"),
        )
        assert done.returncode == 0, done.stderr
        assert "answers 15,999,852 Hz" in done.stderr
        path = line.folder / "config/benchlog/benches/serial.toml"
        made = load_bench(str(path)).instruments["counter"]
        assert made.options["baud"] == 9600
        assert made.options.get("dtr") is (True if "--dtr" in words else None)
        assert line.run("check-bench", "serial").returncode == 0


def test_a_visa_resource_a_thermometer_and_pulses_of_a_receiver(line: Line) -> None:
    """A simulated bench over HiSLIP, with a receiver at the counter's second input."""
    simulated = ("--via", "hislip", "--reference", "period", "--gate-s", "0.2")
    with line.bench(*simulated) as path:
        served = load_bench(path)
        counter, room = served.instruments["counter"], served.instruments["room"]
        done = line.run(
            *("bench", "new", "hislip", "--counter", counter.address, "--try"),
            *("--ambient", room.address, "--pulse", "input 2", "--gate-s", "0.2"),
            *("--timebase-ppm", "0.5", "--folder", "here"),
        )
        assert done.returncode == 0, done.stderr
        assert "hislip0" in counter.address
        checked = line.run("refcheck", "--bench", "hislip", "--for", "20s", "--json")
        assert document(checked)["pulses"], checked.stderr
        measured = line.run(
            *("measure", "--bench", "hislip", "--part", "quartz-16mhz-30ppm"),
            *("--device", "KX-1", "--readings", "10", "--json"),
        )
        assert document(measured)["readings"] == 10, measured.stderr


def test_a_device_that_pulses_on_a_line_is_measured_with_a_receiver(
    line: Line,
) -> None:
    with line.bench("--by-pulses", "--reference", "pulses") as path:
        served = load_bench(path)
        (position,) = (p for p in served.positions if p.reference is not None)
        device = served.instruments[position.frequency]
        receiver = served.instruments[str(position.reference)]
        done = line.run(
            *("bench", "new", "pulsing", "--counter", device.address),
            *("--speaks", "pulses", "--line", "rx", "--pulse", receiver.address),
            *("--pulse-line", "rx", "--divider", f"{position.divider!r}"),
            *("--folder", "here", "--try"),
        )
        assert done.returncode == 0, done.stderr
        made = load_bench(str(line.folder / "configs/benches/pulsing.toml"))
        assert made.positions[0].reference == "receiver"
        assert made.positions[0].divider == position.divider


def test_nothing_is_sent_and_nothing_written_unless_told_to(line: Line) -> None:
    script = scpi()
    with TcpPeer(script) as peer:
        words = ("bench", "new", "quiet", "--counter", address_of(peer))
        dry = line.run(*words, "--dry-run")
        assert dry.returncode == 0 and "[instruments.counter]" in dry.stdout
        assert tomllib.loads(dry.stdout)["position"][0]["name"] == "A"
        assert list(line.folder.rglob("*.toml")) == []
        assert line.run(*words).returncode == 0
    assert script.heard == []


def test_a_file_that_is_there_stays_unless_told_to(line: Line) -> None:
    path = line.folder / "mine.toml"
    path.write_text("# mine\n")
    words = ("bench", "new", "--counter", "192.0.2.10:5025", "--out", str(path))
    refused = line.run(*words)
    assert refused.returncode == 2 and "is there already" in refused.stderr
    assert path.read_text() == "# mine\n"
    assert line.run(*words, "--overwrite").returncode == 0
    assert "192.0.2.10:5025" in path.read_text()


def test_who_does_not_answer_is_named_and_the_file_is_kept(line: Line) -> None:
    done = line.run(
        *("bench", "new", "dead", "--counter", "127.0.0.1:1"),
        *("--folder", "here", "--try"),
    )
    assert done.returncode == 1
    assert "nobody answers at 127.0.0.1:1" in done.stderr
    assert "next: benchlog check-bench dead" in done.stderr
    assert (line.folder / "configs/benches/dead.toml").is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--counter", "not an address"), "HOST:PORT"),
        (("--counter", "h:1", "--ambient", "4000"), "a temperature from"),
        (("--counter", "h:1", "--pulse", "input two"), "--pulse"),
        (("--counter", "/dev/ttyUSB0", "--speaks", "hz", "--pulse", "input 2"), "only"),
        (("--counter", "GPIB0::3::INSTR", "--speaks", "hz"), "a serial device such"),
        ((), "give --counter ADDRESS"),
    ],
)
def test_a_wrong_or_missing_answer_is_bad_usage(
    line: Line, words: tuple[str, ...], said: str
) -> None:
    done = line.run("bench", "new", "wrong", *words, "--dry-run")
    assert done.returncode == 2 and done.stdout == ""
    assert said in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["../escape", "a b", "x.toml", ".hidden", "a\tb"])
def test_a_name_stays_in_its_folder(line: Line, name: str) -> None:
    done = line.run("bench", "new", name, "--counter", "h:1", "--folder", "here")
    assert done.returncode == 2
    assert list(line.folder.rglob("*.toml")) == []


def test_a_folder_that_cannot_be_written_has_its_own_sentence(line: Line) -> None:
    (line.folder / "configs").write_text("a file\n")
    done = line.run("bench", "new", "n", "--counter", "h:1", "--folder", "here")
    assert done.returncode == 1
    assert "cannot be written" in done.stderr and "unexpected" not in done.stderr


def test_benches_are_listed_with_what_is_wrong_named(line: Line) -> None:
    folder = line.folder / "configs/benches"
    folder.mkdir(parents=True)
    (folder / "faulty.toml").write_text("[instruments.x]\ndriver = 'none-such'\n")
    done = line.run("bench")
    assert done.returncode == 0
    assert "counter-usbtmc" in done.stdout and "faulty" not in done.stdout
    assert "faulty.toml" in done.stderr


def test_a_bench_is_shown_with_its_comments(line: Line) -> None:
    shown = line.run("bench", "show", "counter-gpib-serial")
    assert shown.returncode == 0 and "gpib_address = 3" in shown.stdout
    assert shown.stdout.startswith("# A SCPI counter on GPIB, behind a bridge")
    known = document(line.run("bench", "show", "board-counts", "--json"))
    assert known["positions"] == ["A"]
    assert "did you mean" in line.run("bench", "show", "counter-gpip-lan").stderr


# --- in a terminal


@contextmanager
def conversation(line: Line, *words: str) -> "Iterator[Terminal]":
    ours, theirs = pty.openpty()
    environment = line.environment() | {"TERM": "xterm", "NO_COLOR": "1"}
    with Program(
        [*PROGRAM, *words],
        cwd=line.folder,
        env=environment,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        try:
            yield Terminal(ours, process)
        finally:
            process.kill()
            os.close(ours)


class Terminal:
    def __init__(self, fd: int, process: "subprocess.Popen[bytes]") -> None:
        self.fd, self.process, self.shown = fd, process, ""

    def until(self, *texts: str) -> str:
        """Read what is shown until one of `texts` is in its last line; return it."""
        limit = host_deadline(30)
        while True:
            last = self.shown.rsplit("\n", 1)[-1]
            for text in texts:
                if text in last:
                    return text
            ready, _, _ = select.select([self.fd], [], [], limit.left_s())
            assert ready, f"{texts} did not come:\n{self.shown}"
            self.shown += os.read(self.fd, 65_536).decode()

    def answer(self, question: str, text: str = "") -> None:
        self.until(question)
        self.shown += "\n"
        os.write(self.fd, f"{text}\n".encode())

    def rest(self, exit_code: int = 0) -> str:
        limit = host_deadline(30)
        while not limit.passed:
            try:
                more = os.read(self.fd, 65_536)
            except OSError:  # the other side is closed
                break
            if not more:
                break
            self.shown += more.decode()
        assert self.process.wait(30) == exit_code, self.shown
        return self.shown


def test_plain_questions_and_enter_takes_the_suggestion(line: Line) -> None:
    with TcpPeer(scpi()) as peer, conversation(line, "bench", "new") as terminal:
        if terminal.until("[y/N]", "[my-bench]") == "[y/N]":  # there is a port here
            terminal.answer("Send *IDN? to each of them? [y/N]")
        terminal.answer("called? [my-bench]", "two words")
        terminal.answer("called? [my-bench]", "corner")
        terminal.answer("Which? [user]", "here")
        terminal.answer("Where is the counter?", "nowhere")
        terminal.answer("Where is the counter?", address_of(peer))
        terminal.answer("Which? [scpi]")
        terminal.answer("Gate, in s? [1]", "-3")
        terminal.answer("Gate, in s? [1]")
        terminal.answer("Time base, in +- ppm? [none]", "0.5")
        terminal.answer("Ambient temperature? [none]", "23.5")
        terminal.answer("as reference? [none]")
        terminal.answer("Divider? [1]")
        terminal.answer("Try it? [Y/n]")
        shown = terminal.rest()
    assert "without folder, spaces and .toml" in shown
    assert "HOST:PORT" in shown and "a number of at least" in shown
    assert "reset a board or trip a supply" in " ".join(shown.split())
    assert "answers 15,999,852 Hz" in shown
    made = load_bench(str(line.folder / "configs/benches/corner.toml"))
    assert made.instruments["counter"].timebase_ppm == 0.5
    assert made.instruments["wall"].options["value"] == 23.5


def test_no_is_taken_for_an_answer(line: Line) -> None:
    script = scpi()
    with TcpPeer(script) as peer:
        words = ("--counter", address_of(peer), "--speaks", "scpi", "--gate-s", "1")
        words += ("--timebase-ppm", "1", "--ambient", "none", "--pulse", "none")
        words += ("--divider", "1", "--folder", "here")
        with conversation(line, "bench", "new", "corner", *words) as terminal:
            terminal.answer("Try it? [Y/n]", "n")
            terminal.rest()
    assert script.heard == []
    assert Path(line.folder / "configs/benches/corner.toml").is_file()


def test_a_dry_run_in_a_terminal_asks_and_sends_nothing(line: Line) -> None:
    script = scpi()
    with TcpPeer(script) as peer:
        words = ("bench", "new", "dry", "--ask", "--dry-run")
        with conversation(line, *words) as terminal:
            terminal.answer("Where is the counter?", address_of(peer))
            for question in ("[scpi]", "[1]", "[none]", "[none]", "[none]", "[1]"):
                terminal.answer(question)
            shown = terminal.rest()
    assert "[instruments.counter]" in shown and "Try it?" not in shown
    assert script.heard == [] and list(line.folder.rglob("*.toml")) == []


def test_after_a_failed_trial_the_answers_can_be_changed(line: Line) -> None:
    with TcpPeer(scpi()) as peer:
        words = ("bench", "new", "mended", "--folder", "here", "--speaks", "scpi")
        words += ("--ambient", "none", "--pulse", "none", "--divider", "1")
        with conversation(line, *words) as terminal:
            if terminal.until("[y/N]", "Where is") == "[y/N]":
                terminal.answer("[y/N]", "n")
            terminal.answer("Where is the counter?", "127.0.0.1:1")
            terminal.answer("Gate, in s? [1]", "0.5")
            terminal.answer("[none]", "0.2")
            terminal.answer("Try it? [Y/n]")
            terminal.answer("Which? [again]")
            terminal.answer("[127.0.0.1:1]", address_of(peer))
            terminal.answer("Gate, in s? [0.5]")
            terminal.answer("[0.2]")
            terminal.answer("Try it? [Y/n]", "n")
            shown = terminal.rest()
    assert "nobody answers at 127.0.0.1:1" in " ".join(shown.split())
    counter = load_bench(str(line.folder / "configs/benches/mended.toml")).instruments[
        "counter"
    ]
    assert counter.address == address_of(peer)
    assert (counter.options["gate_s"], counter.timebase_ppm) == (0.5, 0.2)


def test_after_a_failed_trial_nothing_need_be_written(line: Line) -> None:
    words = ("--counter", "127.0.0.1:1", "--speaks", "scpi", "--gate-s", "1")
    words += ("--timebase-ppm", "1", "--ambient", "none", "--pulse", "none")
    words += ("--divider", "1", "--folder", "here")
    with conversation(line, "bench", "new", "left", *words) as terminal:
        terminal.answer("Try it? [Y/n]")
        terminal.answer("Which? [again]", "leave")
        terminal.rest(exit_code=1)
    assert list(line.folder.rglob("*.toml")) == []
