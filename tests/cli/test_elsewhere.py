"""A record is read on any system: nothing that only POSIX has is needed for it.

The modules that are hidden are those of Python's library reference, chapter "Unix
Specific Services" (Python 3.11), and what builds on them.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli.conftest import Line
from tiers import seldom

HIDDEN = "fcntl", "grp", "pty", "pwd", "resource", "termios", "tty"
PROGRAM = """
import importlib, json, os, socket, sys
hidden = set(sys.argv.pop(1).split(","))
OURS = {"benchlog", "benchlog_drivers", "sqlite_utils", "sqlite3", "pysqlite3"}
class Hide:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in hidden:
            raise ImportError(f"{name} is hidden: this system has none")
def forget(names):
    for name in [one for one in sys.modules if one.partition(".")[0] in names]:
        del sys.modules[name]
forget(hidden)
sys.meta_path.insert(0, Hide())
for name in ("O_CLOEXEC", "O_PATH", "O_DIRECTORY", "statvfs"):
    if hasattr(os, name):
        delattr(os, name)
if sys.argv.pop(1) == "no-sockets":
    del socket.AF_UNIX
import json
from click.testing import CliRunner
for line in sys.stdin:
    told = json.loads(line)
    if isinstance(told, dict):  # another test: whatever chooses SQLite is imported anew
        hidden |= set(told["hidden"])
        forget(hidden | OURS)
        os.environ.update(told["environment"])
        os.chdir(told["folder"])
        from benchlog.cli import root
        for name in told["imported"]:
            importlib.import_module(name)
        continue
    done = CliRunner().invoke(root, told, prog_name="benchlog")
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    print(json.dumps([done.exit_code, done.stdout, done.stderr]), flush=True)
"""


@pytest.fixture(scope="module")
def made(bench: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two databases, made where everything is there."""
    folder = tmp_path_factory.mktemp("made")
    for name, device in (("one.db", "KX-1"), ("two.db", "KX-2")):
        line = Line(folder)
        words = ("measure", "--bench", bench, "--part", "quartz-16mhz-30ppm")
        more = ("--device", device, "--readings", "12", "--no-screen")
        done = line.run(*words, *more, "--db", name)
        assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def interpreter() -> Iterator[subprocess.Popen[str]]:
    """An interpreter with modules hidden: it takes one command after the other."""
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, ",".join(HIDDEN), "no-sockets"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        yield process
        process.stdin.close()
        assert process.wait(60) == 0


DRAWING = [
    *("benchlog.pages.page_builder", "benchlog.pages.html", "benchlog.pages.pdf"),
    *("benchlog.pages.charts", "benchlog.plotting.pictures"),
]
"""What makes pages: that it can be imported; drawn they are in a campaign."""
HTML, PAGES = ("record.html",), ("record.html", "record.pdf")
USUAL, BUG = "usual SQLite", "SQLite with the WAL bug"


@pytest.fixture
def elsewhere(sqlite, made: Path, line: Line, interpreter):  # type: ignore[no-untyped-def]
    """Run benchlog with modules hidden, on copies of the databases."""
    for name in ("one.db", "two.db"):
        (line.folder / name).write_bytes((made / name).read_bytes())

    def tell(told: object) -> None:
        print(json.dumps(told), file=interpreter.stdin, flush=True)

    def run(*words: str) -> str:
        tell(words)
        said = interpreter.stdout.readline()
        assert said, f"{words}: it ended, its traceback is above"
        code, out, err = json.loads(said)
        assert "hidden" not in err, err
        assert "Traceback" not in err, err
        assert code == 0, (words, err)
        return out

    tell(
        {
            "hidden": ["pysqlite3"] if "bug" in sqlite else [],
            "environment": line.environment(),
            "folder": str(line.folder),
            "imported": DRAWING,
        }
    )
    return run


def test_the_modules_are_really_hidden(line: Line) -> None:
    program = PROGRAM.replace("\nimport json\n", "\nimport fcntl\n")
    done = subprocess.run(
        [sys.executable, "-c", program, "fcntl", "-"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "fcntl is hidden" in done.stderr


@pytest.mark.parametrize(
    ("sqlite", "pages"),
    [
        (USUAL, ()),
        (BUG, ()),
        # pages take seconds: every suite imports what makes them
        seldom(USUAL, HTML),
        # what is written has nothing to do with SQLite
        seldom(BUG, PAGES),
    ],
)
def test_a_record_is_read_and_handed_on(elsewhere, pages, line: Line) -> None:  # type: ignore[no-untyped-def]
    assert len(json.loads(elsewhere("runs", "--db", "one.db", "--json"))) == 1
    shown = json.loads(elsewhere("show", "1", "--db", "one.db", "--json"))
    assert (shown["device"], shown["readings"], shown["verdict"]) == (
        "KX-1",
        12,
        "pass",
    )
    assert "PASS" in elsewhere("show", "1", "--db", "one.db")
    for name in pages:
        elsewhere("report", "1", "--db", "one.db", "--out", name)
        assert (line.folder / name).stat().st_size > 5_000
    for kind in ("csv", "jsonl"):
        name = f"out.{kind}"
        elsewhere("export", "1", "--db", "one.db", "--format", kind, "--out", name)
        come = json.loads(elsewhere("import", name, "--db", f"{kind}.db", "--json"))
        assert come["readings"] == 12
    elsewhere("merge", "two.db", "--db", "one.db")
    rows = json.loads(elsewhere("runs", "--db", "one.db", "--json"))
    assert {row["device"] for row in rows} == {"KX-1", "KX-2"}
