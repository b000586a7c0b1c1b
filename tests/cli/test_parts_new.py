"""`parts new`: a person is asked in a terminal, options answer, nothing is lost."""

import os
import pty
import select
import sys
from pathlib import Path

import pytest

from benchlog.catalogue import load_part
from benchlog.clock import host_deadline
from benchlog.model import Kind

from .conftest import Line, document

WORDS = ("parts", "new", "x12", "--nominal", "12MHz", "--tolerance", "20ppm")


def asked(line: Line, answers: list[str], *words: str) -> str:
    """Answer each question in a pseudo terminal; return all that was shown."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(line.folder)
        os.environ.update(line.environment() | {"TERM": "xterm"})
        os.execv(sys.executable, [sys.executable, "-m", "benchlog.cli", *words])
    shown, answered, limit = b"", 0, host_deadline(40)
    while not limit.passed:
        ready, _, _ = select.select([terminal], [], [], 0.3)
        try:
            shown += os.read(terminal, 65_536) if ready else b""
        except OSError:  # the other end is closed
            break
        if not ready and shown[answered:].rstrip().endswith(b":") and answers:
            answered = len(shown)
            os.write(terminal, answers.pop(0).encode() + b"\n")
    if limit.passed:
        os.kill(pid, 9)
    os.waitpid(pid, 0)
    os.close(terminal)
    return shown.decode()


def test_a_person_is_asked_and_asked_again(line: Line) -> None:
    answers = ["tuning-fork", "32768m", "32.768 kHz", "20", "20ppm", "none", "5 ppm"]
    shown = asked(line, [*answers, "12.5", "watch-fork", "here"], "parts", "new")
    assert "could be mega or milli" in shown and "it has no unit" in shown
    path = line.folder / "configs" / "parts" / "watch-fork.toml"
    part = load_part(str(path))
    assert (part.kind, part.nominal_hz) == (Kind.TUNING_FORK, 32_768.0)
    assert part.limits.tolerance_ppm == 20.0
    assert part.limits.stability_ppm is None
    assert part.limits.ageing_ppm_per_year == 5.0
    assert part.load.load_pf == 12.5
    assert "configs/parts/watch-fork.toml" in shown
    assert "next: benchlog measure --bench BENCH --part watch-fork" in shown


def test_options_answer_and_the_name_is_found(line: Line) -> None:
    more = ("--stability", "50ppm", "--range", "-20 to 70", "--folder", "here")
    done = line.run(*WORDS, "--kind", "quartz", *more)
    assert done.returncode == 0, done.stderr
    found = document(line.run("parts", "show", "x12", "--json"))
    assert found["nominal_hz"] == 12_000_000.0
    limits = found["limits"]
    assert isinstance(limits, dict)
    assert (limits["stability_ppm"], limits["range_c"]) == (50.0, [-20.0, 70.0])


def test_a_file_that_exists_stays_unless_asked(line: Line) -> None:
    assert line.run(*WORDS, "--folder", "here").returncode == 0
    path = line.folder / "configs" / "parts" / "x12.toml"
    before = path.read_text()
    done = line.run(*WORDS[:-1], "30ppm", "--folder", "here")
    assert done.returncode == 2 and "--overwrite" in done.stderr
    assert path.read_text() == before
    done = line.run(*WORDS[:-1], "30ppm", "--folder", "here", "--overwrite")
    assert done.returncode == 0
    assert load_part(str(path)).limits.tolerance_ppm == 30.0


def test_the_users_folder_and_a_dry_run(line: Line) -> None:
    assert line.run(*WORDS, "--folder", "user").returncode == 0
    assert (line.folder / "config" / "benchlog" / "parts" / "x12.toml").exists()
    done = line.run(*WORDS[:2], "y", *WORDS[3:], "--dry-run")
    assert "# stability_ppm = 50" in done.stdout
    assert not (line.folder / "configs").exists()


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--nominal", "12m"), "12 MHz for megahertz"),
        (("--tolerance", "20"), "20 ppm?"),
        (("--range", "-20 to 70"), "give both"),
        (("--stability", "50ppm", "--range", "hot"), "-20 to 70"),
        (("--stability", "50ppm", "--range", "70 to -20"), "low < high"),
        (("--kind", "rc", "--load-pf", "12"), "leave it out"),
        (("--nominal", "12", "--kind", "quartz"), "12 MHz"),
    ],
)
def test_what_cannot_be_is_refused(
    line: Line, more: tuple[str, ...], told: str
) -> None:
    done = line.run(*WORDS, "--folder", "here", *more)
    assert done.returncode == 2
    assert told in done.stderr
    assert not (line.folder / "configs").exists()


def test_a_folder_that_cannot_be_written_is_named(line: Line, tmp_path: Path) -> None:
    (tmp_path / "configs").write_text("a file")
    done = line.run(*WORDS, "--folder", "here")
    assert done.returncode == 1
    assert "configs/parts/x12.toml cannot be written" in done.stderr
