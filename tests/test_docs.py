"""The documents are tested: every command they show is run, every command is shown.

A fenced block ```console holds lines that begin with `$ `; the lines between are what
is printed and are not compared. Lines that begin with `$ benchlog` are run, in order
and in one temporary folder per document, with a database of its own. A block that
cannot be run here (it needs an instrument, or a network) has a comment right before it,
with the reason::

    <!-- not run: needs a counter on the bench -->
"""

import os
import re
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchlog.cli.command import COMMANDS

TOP = Path(__file__).parents[1]
DOCUMENTS = [name for name in ("README.md", "DEVELOPERS.md") if (TOP / name).is_file()]
BLOCK = re.compile(
    r"(?:<!-- not run: (?P<why>[^>]+?) -->\s*\n)?^```console\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)
DONE = (0, 3, 4)
"""Exit codes of a command that did its job: a verdict is no error."""


@dataclass(frozen=True)
class Block:
    document: str
    line: int
    text: str
    why_not_run: str | None

    def commands(self) -> list[list[str]]:
        joined = self.text.replace("\\\n", " ")
        lines = [line[2:] for line in joined.splitlines() if line.startswith("$ ")]
        return [shlex.split(line, comments=True) for line in lines]


def blocks_of(document: str, text: str) -> list[Block]:
    return [
        Block(document, text[: m.start("text")].count("\n") + 1, m["text"], m["why"])
        for m in BLOCK.finditer(text)
    ]


def all_blocks() -> list[Block]:
    texts = {name: (TOP / name).read_text("utf-8") for name in DOCUMENTS}
    return [block for name in texts for block in blocks_of(name, texts[name])]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_of_a_document_do_their_job(document: str, tmp_path: Path) -> None:
    for block in all_blocks():
        if block.document == document and block.why_not_run is None:
            run_block(block, tmp_path)


def run_block(block: Block, folder: Path) -> None:
    environment = {
        **os.environ,
        "BENCHLOG_DB": str(folder / "docs.db"),
        "XDG_DATA_HOME": str(folder / "data"),
        "NO_COLOR": "1",
    }
    for words in block.commands():
        if words[:1] != ["benchlog"]:
            continue
        done = subprocess.run(
            [sys.executable, "-m", "benchlog.cli", *words[1:]],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        said = f"{block.document}:{block.line}: {shlex.join(words)}\n{done.stderr}"
        assert done.returncode in DONE, said


def test_blocks_are_found_with_their_reason_and_continued_lines() -> None:
    text = (
        "words\n```console\n$ benchlog runs \\\n    --json\nprinted\n$ ls\n```\n"
        "<!-- not run: no counter -->\n```console\n$ benchlog ports\n```\n"
    )
    first, second = blocks_of("X.md", text)
    assert first.commands() == [["benchlog", "runs", "--json"], ["ls"]]
    assert (first.why_not_run, first.line) == (None, 3)
    assert second.why_not_run == "no counter"


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_is_in_the_readme(name: str) -> None:
    text = (TOP / "README.md").read_text("utf-8")
    assert re.search(rf"benchlog {re.escape(name)}\b", text), f"README lacks {name}"


def test_documents_show_no_command_that_is_not_there() -> None:
    shown = {
        words[1]
        for block in all_blocks()
        for words in block.commands()
        if words[:1] == ["benchlog"] and len(words) > 1
    }
    unknown = {word for word in shown if not word.startswith("-")} - set(COMMANDS)
    assert unknown == set()


def test_documents_name_no_path_of_one_machine() -> None:
    for name in DOCUMENTS:
        text = (TOP / name).read_text("utf-8")
        assert str(TOP) not in text
        assert not re.search(r"/(root|home/\w+)/", text), name
