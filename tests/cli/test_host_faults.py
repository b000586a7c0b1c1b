"""What the computer refuses has a sentence of its own; "unexpected" is for bugs."""

import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from warm_program import PROGRAM, run

from benchlog.cli.host_faults import address_fault, memory_fault, sentence_of
from benchlog.cli.tasks.id_files import octets_of
from benchlog.cli.tasks.rack_devices import read_devices
from benchlog.errors import UsageError
from benchlog.model import Bench
from benchlog.store.whole_files import check_name

from .conftest import Line

PART = Path(__file__).parents[2] / "configs" / "parts" / "quartz-16mhz-30ppm.toml"
RUN = ("--part", "quartz-16mhz-30ppm", "--device", "d", "--readings", "2")


def told(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode in (1, 2)
    assert "unexpected" not in done.stderr and "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    for word in words:
        assert word in done.stderr, done.stderr


def test_an_address_is_no_path(line: Line, bench: str) -> None:
    for where in ("--db", "BENCHLOG_DB"):
        words = ("measure", "--bench", bench, *RUN, "--no-screen")
        if where == "--db":
            done = line.run(*words, "--db", "s3://bucket/x.db")
        else:
            done = line.run(*words, BENCHLOG_DB="s3://bucket/x.db")
        told(done, "an address (s3:), not a file", "name a file")
    told(line.run("backup", "gs://b/x.db"), "an address (gs:)")
    told(line.run("parts", "show", "https://x/y.toml"), "an address (https:)")
    assert not (line.folder / "s3:").exists()


def test_what_lets_one_in_at_an_address_is_not_shown(line: Line) -> None:
    for words in (
        ("runs", "--db", "s3://name:open-sesame@bucket/x.db"),
        ("import", "https://name:open-sesame@x/y.csv"),
        ("backup", "gs://b/x.db?token=open-sesame"),
    ):
        done = line.run(*words)
        told(done, "an address", "***")
        assert "sesame" not in done.stderr


def test_click_repeats_no_secret_of_what_was_typed(line: Line) -> None:
    """Files that must exist are looked for by click, whose error has the whole name."""
    line.run("demo", "--readings", "3", "--no-screen")
    address = "https://me:open-sesame@h/open-sesame"
    for words in (
        ("merge", address),
        ("report", "1", "--logo", address, "--out", "x.html"),
        ("inspect", "--lot", "L", "--ids", address),
        ("trim", "--lot", "L", "--ids", address),
        (address,),
    ):
        done = line.run(*words)
        assert done.returncode == 2
        assert "sesame" not in done.stdout + done.stderr, words
        assert "https://***@h/***" in done.stderr


def test_a_pipe_that_nobody_writes_to_holds_no_ids_and_holds_nobody_up(
    tmp_path: Path,
) -> None:
    """Before, it was waited for without an end; one that is written to is read."""
    pipe = tmp_path / "ids"
    os.mkfifo(pipe)
    with pytest.raises(UsageError, match="a pipe that nobody writes to"):
        octets_of(pipe, 100)
    with pytest.raises(UsageError, match="a pipe that nobody writes to"):
        read_devices(pipe, Bench(name="b", instruments={}, positions=()))
    fd = os.open(pipe, os.O_RDWR)  # Linux: does not wait
    os.write(fd, b"KX-1\n")
    late = threading.Timer(0.3, os.close, [fd])
    late.start()
    assert octets_of(pipe, 100) == b"KX-1\n"
    late.join()
    for other in (tmp_path, Path("/dev/zero")):
        with pytest.raises(UsageError):
            octets_of(other, 100)


def test_a_list_of_devices_that_is_too_long_is_refused_not_cut(tmp_path: Path) -> None:
    """Before, what followed the first megabyte was left out without a word."""
    listed = tmp_path / "ids.txt"
    listed.write_text("# " + "x" * (1 << 20) + "\nKX-1\n")
    with pytest.raises(UsageError, match="is it a list of ids"):
        read_devices(listed, Bench(name="b", instruments={}, positions=()))


@pytest.mark.parametrize("name", ["", ".", ".."])
def test_no_file_has_the_name_of_a_folder(name: str) -> None:
    with pytest.raises(UsageError, match="is a folder; name a file"):
        check_name(Path(name))


def test_a_path_that_looks_like_an_address_and_exists_is_a_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert address_fault([Path("s3://x")])
    (tmp_path / "s3:").mkdir()
    assert not address_fault([Path("s3:")])
    assert not address_fault([Path("C:/x"), Path("a:b"), Path("x"), "s3://text"])


def test_a_user_without_a_home(line: Line) -> None:
    done = line.run("runs", BENCHLOG_DB="~no-such-user-here/x.db")
    told(done, "no home directory", "HOME")


def test_a_home_that_is_a_file(line: Line) -> None:
    (line.folder / "home").write_text("")
    kept = line.environment()
    del kept["BENCHLOG_DB"]
    home = str(line.folder / "home")
    done = run(
        [*PROGRAM, "demo", "--readings", "1"],
        cwd=line.folder,
        env={k: v for k, v in kept.items() if k[:4] != "XDG_"} | {"HOME": home},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    told(done, home)


def test_a_full_disk_behind_standard_output(line: Line) -> None:
    with Path("/dev/full").open("w") as full:
        done = run(
            [*PROGRAM, "parts"],
            env=line.environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    told(done, "no room", "free some space")
    assert done.returncode == 1


@pytest.mark.parametrize("command", ["runs", "show"])
def test_a_pipe_as_database_is_refused_at_once(line: Line, command: str) -> None:
    os.mkfifo(line.folder / "pipe")
    told(line.run(command, "--db", "pipe"), "no file", "--db")


def test_a_pipe_is_not_imported(line: Line) -> None:
    os.mkfifo(line.folder / "pipe")
    told(line.run("import", "pipe"), "is a pipe", "save what comes out of it")


def test_a_name_too_long(line: Line) -> None:
    told(line.run("runs", "--db", "x" * 300), "too long", "shorter")


FEW_FILES = """
import resource
resource.setrlimit(resource.RLIMIT_NOFILE, (16, 16))
from benchlog.cli import main
main()
"""


def test_too_many_open_files(line: Line) -> None:
    done = run(
        [sys.executable, "-c", FEW_FILES, "demo", "--readings", "1"],
        cwd=line.folder,
        env=line.environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    told(done, "ulimit -n")


def test_a_truth_file_and_a_dataset_where_nothing_may_be(line: Line) -> None:
    (line.folder / "file").write_text("")
    told(line.run("simulate", "--truth", "file/t.jsonl", "--for", "1s"), "file/t.jsonl")


def test_a_bug_stays_unexpected() -> None:
    assert sentence_of(ValueError("x")) == ""
    assert sentence_of(RuntimeError("x")) == ""
    assert sentence_of(OSError(9999, "x")) == ""


# --- faulty files are named as faulty wherever they are asked for


@pytest.fixture
def parts(line: Line) -> Path:
    folder = line.folder / "configs" / "parts"
    folder.mkdir(parents=True)
    return folder


def test_a_faulty_part_asked_for_by_its_id(line: Line, parts: Path) -> None:
    text = PART.read_text().replace('id = "quartz-16mhz-30ppm"', 'id = "mine-16"')
    (parts / "sheet.toml").write_text(text)
    assert line.run("parts", "show", "mine-16").returncode == 0
    (parts / "sheet.toml").write_text(text + "[nonsense]\n")
    for words in (
        ("parts", "show"),
        ("defaults", "--part"),
        ("fitness", "--other-end"),
    ):
        done = line.run(*words, "mine-16")
        if "no database" not in done.stderr:
            told(done, "sheet.toml: nonsense: unknown key")
        assert "there is no part" not in done.stderr
    (parts / "sheet.toml").write_text(text.replace("[limits]", "[limits"))
    told(line.run("parts", "show", "mine-16"), "sheet.toml: line", "not TOML")
    assert "left out: " in line.run("parts").stderr


def test_a_name_in_capitals_is_told(line: Line, parts: Path) -> None:
    (parts / "MINE.TOML").write_bytes(PART.read_bytes())
    told(line.run("parts", "show", "MINE"), "MINE.TOML is there", "end in .toml")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may look into every folder")
def test_a_folder_that_is_closed_is_told(line: Line, parts: Path) -> None:
    parts.chmod(0)
    try:
        told(
            line.run("parts", "show", "mine"), "configs/parts", "cannot be looked into"
        )
    finally:
        parts.chmod(0o700)


def test_an_address_to_import_is_no_file_that_does_not_exist(line: Line) -> None:
    done = line.run("import", "s3://bucket/run.csv")
    assert done.returncode == 2
    assert "does not exist" not in done.stderr
    assert "import reads files of this computer: copy it here" in " ".join(
        done.stderr.split()
    )
    assert "does not exist" in line.run("import", "nowhere.csv").stderr


@pytest.mark.skipif(sys.platform != "linux", reason="macOS does not bound memory")
@pytest.mark.parametrize("most_mb", [60, 100, 150])
def test_too_little_memory_is_told_before_a_library_fails_on_it(
    line: Line, most_mb: int
) -> None:
    """Otherwise one ends the process, another raises what nobody understands."""
    words = [sys.executable, "-m", "benchlog.cli", "runs", "--db", str(line.db)]
    bound = most_mb * 2**20
    done = subprocess.run(
        words,
        cwd=line.folder,
        env=line.environment(),
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (bound, bound)),
    )
    told(done, f"{most_mb} MB of memory are allowed, and 256 are needed")


def test_memory_that_runs_out_later_is_told() -> None:
    assert memory_fault() == ""
    assert sentence_of(MemoryError()).startswith("there is not enough memory: end")
