"""Names, notes, reasons of a database that was handed on: none reaches a terminal raw.

Control characters are those of ISO/IEC 6429 (C0, C1), direction those of UAX 9.
"""

import re

import pytest
from click.testing import CliRunner
from store.making import COUNTER, TIMEBASE, plan, rows

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.model import Event, Identity
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

ODD = "E\x1b]0;own\x07\x1b[2J\x9b1m\u202egnp\u2066\x00\u2028\r=1+1<script>"
RAW = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
COMMANDS = (
    *("runs", "lots", "devices", "results", "check", "ageing 1 2", "compare 1 2"),
    *("show 1", "stability 1", "hat 1 2 3", "temperature 1 2", "response 1"),
    *("fitness 1", "judge 1", "runs --json", "results --csv", "lots --csv"),
    *("export 1", "export 1 --format jsonl", "compare 1 2 --json", "show 1 --json"),
)


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    path = tmp_path_factory.mktemp("odd") / "odd.db"
    with Writer.open(path, VirtualClock()) as writer:
        for number in range(3):
            more = {"operator": ODD, "note": ODD, "lot": f"L{ODD}", "software": ODD}
            who = {"counter": COUNTER, "room": Identity(ODD, ODD, ODD, ODD, ODD)}
            planned = plan(f"{ODD}{number}", **more)
            run = writer.begin_run(planned, who, TIMEBASE)
            segment = writer.begin_segment(run)
            writer.commit(rows(run, segment, 40))
            writer.commit([(run, segment, Event(1, 1, "note", ODD, ODD))])
            writer.end_run(run, "stopped")
            writer.amend(run, Amendment(kind="void", reason=ODD, old=None, new=ODD))
    return path


@pytest.mark.parametrize("line", COMMANDS)
def test_no_command_prints_what_rules_a_terminal(database, line):
    """`compare` did, in the reason why a run is void."""
    done = CliRunner().invoke(root, [*line.split(), "--db", str(database)])
    assert "something unexpected" not in done.stderr
    assert RAW.findall(done.stdout + done.stderr) == []


@pytest.mark.parametrize("shell", ["fish", "zsh"])
def test_a_name_stays_on_its_line_in_what_a_shell_completes(database, shell):
    """A line more was an item more, of the name's own choosing."""
    words = {"COMP_WORDS": "benchlog show ", "COMP_CWORD": "2"}
    if shell == "fish":
        words["COMP_CWORD"] = ""
    asked = {"_BENCHLOG_COMPLETE": f"{shell}_complete", "BENCHLOG_DB": str(database)}
    done = CliRunner(env=words | asked).invoke(root, [], prog_name="benchlog")
    assert "E\\x1b]0;own" in done.stdout
    assert RAW.findall(done.stdout.replace("\t", " ")) == []
    assert len(done.stdout.splitlines()) == 3 * (1 if shell == "fish" else 3)


@pytest.mark.parametrize("shell", ["bash", "fish", "zsh"])
def test_no_shell_is_offered_what_it_would_run(shell, tmp_path, monkeypatch):
    """It puts a name into the line as it is, without quotes."""
    folder = tmp_path / "configs" / "parts"
    folder.mkdir(parents=True)
    for name in ("mine", "mi$(x)", "mi`id`", "mi;id", "mi\nplain,id", "mi\x1b[2J"):
        (folder / f"{name}.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    words = {"COMP_WORDS": "benchlog measure --part mi", "COMP_CWORD": "3"}
    if shell == "fish":
        words["COMP_CWORD"] = "mi"
    asked = {"_BENCHLOG_COMPLETE": f"{shell}_complete"}
    done = CliRunner(env=words | asked).invoke(root, [], prog_name="benchlog")
    assert [
        line for line in done.stdout.splitlines() if line not in ("plain", "_")
    ] in (
        ["plain,mine"],
        ["mine"],
    )
