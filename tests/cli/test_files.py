"""`import` and `export` as a person uses them: files in, files out, same figures."""

import json
import os
import subprocess
from pathlib import Path

import pytest
from cli.conftest import Line, document
from click.testing import CliRunner
from warm_program import PROGRAM, run

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.store.writer import Writer

PART = "quartz-16mhz-30ppm"
FOREIGN = """# logged by hand, counter gate 1 s
time;frequency
2026-11-01T10:00:00Z;15999852,0
2026-11-01T10:00:01Z;15999852,2
power cut
2026-11-01T10:00:02Z;15999851,8
"""


def brought_in(line: Line, *more: str) -> dict[str, object]:
    (line.folder / "hand.csv").write_text(FOREIGN)
    words = ("import", "hand.csv", "--nominal-hz", "16e6", "--part", PART)
    return document(line.run(*words, "--json", *more))


def test_import_says_what_it_took_and_what_it_did_not(line: Line) -> None:
    result = brought_in(line, "--device", "KX-0412")
    assert (result["run"], result["readings"], result["rejected"]) == (1, 3, 1)
    shown = document(line.run("show", "--json"))
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source)
    assert shown["offset_ppm"] == pytest.approx(-9.25, abs=1e-9)
    assert (shown["device"], shown["purpose"]) == ("KX-0412", "import")
    assert shown["simulated"] is False


def test_an_import_is_listed_with_its_verdict_and_when_it_was_made(line: Line) -> None:
    brought_in(line)
    shown = document(line.run("show", "--json"))
    (row,) = json.loads(line.run("runs", "--json").stdout)
    for name in ("verdict", "offset_ppm", "u_ppm", "started", "state"):
        assert row[name] == shown[name], name
    assert row["started"] == "2026-11-01T10:00:00.000Z"
    assert (row["verdict"], row["state"]) == ("pass", "ended")
    assert "2026-11-01 10:00" in line.run("runs").stdout
    assert str(shown["imported"]) > "2026-11-01T11"


def test_long_and_broken_ids_stay_on_their_line(line: Line) -> None:
    long = "L" * 120
    brought_in(line, "--device", long)
    listed = line.run("runs").stdout
    assert max(map(len, listed.splitlines())) < 130
    assert long in "".join(line.run("show", "1").stdout.split())
    for id_, why in (("L" * 121, "120 characters"), ("two\nlines", "line breaks")):
        (line.folder / "hand.csv").write_text(FOREIGN)
        words = ("--nominal-hz", "16e6", "--device", id_)
        done = line.run("import", "hand.csv", *words)
        assert done.returncode == 2 and why in done.stderr


def test_import_names_the_line_on_standard_error(line: Line) -> None:
    (line.folder / "hand.csv").write_text(FOREIGN)
    done = line.run("import", "hand.csv", "--nominal-hz", "16e6")
    assert done.stdout == "run 1: 3 readings, 1 line rejected\n"
    assert "line 5" in done.stderr and "power cut" in done.stderr


def test_import_without_nominal_is_bad_usage_and_leaves_nothing(line: Line) -> None:
    (line.folder / "hand.csv").write_text(FOREIGN)
    done = line.run("import", "hand.csv")
    assert (done.returncode, done.stdout) == (2, "")
    assert "--nominal-hz" in done.stderr
    assert json.loads(line.run("runs", "--json").stdout) == []


@pytest.mark.parametrize("kind", ["csv", "jsonl"])
def test_round_trip_gives_the_same_figures_bit_for_bit(line: Line, kind: str) -> None:
    brought_in(line, "--device", "=HYPERLINK()", "--note", "π\n\u202e")
    out = f"out.{kind}"
    done = line.run("export", "1", "--format", kind, "--out", out)
    assert (done.returncode, done.stdout) == (0, "")
    again = document(line.run("import", out, "--again", "--json"))
    assert (again["run"], again["readings"], again["rejected"]) == (2, 3, 0)
    first, second = (document(line.run("show", n, "--json")) for n in ("1", "2"))
    for name in ("offset_ppm", "u_ppm", "jitter_ppm_rms", "budget", "device", "note"):
        assert second[name] == first[name], name


def test_export_to_standard_output_is_the_file(line: Line) -> None:
    brought_in(line)
    line.run("export", "1", "--out", "out.csv")
    done = line.run("export", "1")
    assert done.stdout == (line.folder / "out.csv").read_text()
    assert done.stderr == ""


def test_export_never_writes_over_a_file_by_accident(line: Line) -> None:
    brought_in(line)
    kept = line.folder / "kept.csv"
    kept.write_text("mine")
    done = line.run("export", "1", "--out", "kept.csv")
    assert done.returncode == 2 and "kept.csv" in done.stderr
    assert kept.read_text() == "mine"
    assert line.run("export", "1", "--out", "kept.csv", "--overwrite").returncode == 0
    assert kept.read_text() != "mine"


@pytest.mark.parametrize("words", [("show", "9"), ("export", "9")])
def test_no_such_run_is_bad_usage(line: Line, words: tuple[str, ...]) -> None:
    brought_in(line)
    done = line.run(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert "run" in done.stderr and "9" in done.stderr


@pytest.mark.parametrize("command", [("runs",), ("show",), ("export", "1")])
def test_a_file_that_is_no_database_is_a_sentence(
    line: Line, command: tuple[str, ...], tmp_path: Path
) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but long enough to look like one" * 100)
    done = line.run(*command, "--db", str(path))
    assert (done.returncode, done.stdout) == (1, "")
    assert "notes.txt" in done.stderr and "Traceback" not in done.stderr
    assert path.read_text().startswith("not a database"), "it was not touched"


def test_completion_knows_parts_and_runs(line: Line) -> None:
    brought_in(line)
    for words, expected in (
        ("benchlog parts show quartz-16", "plain,quartz-16mhz-30ppm"),
        ("benchlog show ", "plain,1"),
        ("benchlog me", "plain,measure"),
    ):
        count = str(words.count(" "))
        done = line.run(
            _BENCHLOG_COMPLETE="bash_complete", COMP_WORDS=words, COMP_CWORD=count
        )
        assert expected in done.stdout.splitlines(), done.stderr


def test_help_of_parts_tells_its_own_show(line: Line) -> None:
    said = line.run("parts", "--help").stdout
    assert "show  Show all that the data sheet of one part promises." in said


ASKED = (
    ("report", "1", "--out", "x.html"),
    ("report", "1", "--label", "--out", "x.svg"),
    ("compare", "1", "1", "--out", "x.pdf"),
    ("hat", "1", "1", "1", "--out", "x.html"),
    ("hat", "1", "1", "1", "--plot", "x.svg"),
    ("stability", "1", "--plot", "x.svg"),
    ("export", "1", "--out", "x.csv"),
    ("backup", "x.db"),
    ("results", "--out", "x.csv"),
    ("lots", "--out", "x.csv"),
)


@pytest.mark.parametrize("asked", ASKED, ids=" ".join)
def test_a_folder_that_is_not_there_is_told_before_anything_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: tuple[str, ...]
) -> None:
    """The database has no run 1: whoever looks at the folder late asks for it first."""
    path = tmp_path / "bench.db"
    Writer.open(path, VirtualClock()).close()
    out = tmp_path / "nope" / asked[-1]
    said = [*asked[:-1], str(out), "--db", str(path)]
    done = CliRunner().invoke(root, said)
    assert done.exit_code == 2, done.output
    assert f"there is no folder {out.parent}; make it" in done.stderr
    out.parent.write_text("a file")
    assert "is a file, no folder" in CliRunner().invoke(root, said).stderr


@pytest.mark.parametrize("what", ["pipe", "link", "database"])
@pytest.mark.parametrize("words", ["parts new p1 --nominal 12MHz --tolerance 20ppm"])
def test_a_new_part_takes_the_place_of_a_file_only(tmp_path, what, words):
    """A pipe that nobody reads held it for good; a link's end was written over."""
    out, precious = tmp_path / "p1.toml", tmp_path / "precious"
    precious.write_text("precious")
    if what == "pipe":
        os.mkfifo(out)
    elif what == "link":
        out.symlink_to(precious)
    else:
        with Writer.open(out, VirtualClock()):
            pass
    before = out.read_bytes() if what == "database" else b""
    line = [*words.split(), "--kind", "quartz", "--out", str(out), "--overwrite"]
    done = run(
        [*PROGRAM, *line],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=60,
    )
    assert done.returncode == (0 if what == "link" else 2), done.stderr
    assert precious.read_text() == "precious"
    assert what != "database" or out.read_bytes() == before


def test_a_simulated_bench_appends_to_no_database(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()):
        pass
    before = path.read_bytes()
    for option in ("--truth", "--bench-out"):
        done = CliRunner().invoke(root, ["simulate", "--for", "1s", option, str(path)])
        assert done.exit_code == 2
        assert "is a database" in done.stderr
    assert path.read_bytes() == before
