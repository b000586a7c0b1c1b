"""`benchlog help`: the list of topics, the pages, the help of a command."""

import os
import pty
import runpy
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from benchlog.cli import root
from benchlog.cli.command import COMMANDS
from benchlog.cli.group import module_of
from benchlog.manual import TOPICS, plain, read_page, topic_of

PAGES = Path(plain.__file__).parent
WIDTH = 80
ROOT_SETTINGS = root.context_settings


def told(*words: str) -> str:
    result = CliRunner().invoke(root, ["help", *words], catch_exceptions=False)
    assert result.exit_code == 0, result.stderr
    return result.stdout


def test_topics_are_listed_in_their_order_with_their_lines() -> None:
    lines = told().splitlines()[1 : len(TOPICS) + 1]
    assert [line.split()[0] for line in lines] == list(TOPICS)
    for line, topic in zip(lines, TOPICS.values(), strict=True):
        assert line.endswith(topic.line) and len(line) <= WIDTH


def test_every_page_is_listed_and_every_listed_one_is_there() -> None:
    assert {path.stem for path in PAGES.glob("*.md")} == set(TOPICS)


@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_is_printed_whole_and_fits_80_columns(topic: str) -> None:
    shown, source = told(topic), read_page(topic)
    title = source.splitlines()[0].removeprefix("# ")
    assert shown.startswith(f"{title}\n{'=' * len(title)}\n")
    assert [line for line in shown.splitlines() if len(line) > WIDTH] == []
    for mark in ("```", "<!--", "**", "\x1b"):
        assert mark not in shown
    for line in source.splitlines():
        if line.startswith("$ "):
            assert f"  {line}\n" in shown


def test_a_topic_is_never_named_as_a_command_is() -> None:
    assert set(TOPICS) & set(COMMANDS) == set()


def test_every_command_has_a_page_that_shows_it() -> None:
    for name in COMMANDS:
        topic = topic_of(name)
        assert topic is not None, f"no page explains {name}"
        assert f"benchlog {name}" in read_page(topic), (name, topic)


def test_pages_point_to_pages_that_are_there() -> None:
    for topic in TOPICS:
        for rest in read_page(topic).split("`benchlog help ")[1:]:
            assert rest.split("`")[0] in {*TOPICS, *COMMANDS, "TOPIC"}, topic


@pytest.mark.parametrize("name", ["measure", "import", "help"])
def test_the_name_of_a_command_gives_its_help_and_its_page(name: str) -> None:
    own = CliRunner().invoke(root, [name, "--help"], prog_name="benchlog").stdout
    result = CliRunner().invoke(root, ["help", name], prog_name="benchlog")
    assert result.stdout.startswith(own.rstrip())
    assert result.stdout.endswith(f"benchlog help {topic_of(name)}\n")


@pytest.mark.parametrize("name", ["export", "bench"])
def test_help_is_the_same_whoever_asked_first(name: str) -> None:
    """The library keeps a command's help option from its first use in a process."""
    found = find_spec(module_of(name))
    assert found is not None and found.origin is not None
    fresh = runpy.run_path(found.origin)["command"]  # as if nobody had imported it
    outer = click.Group("benchlog", {name: fresh}, context_settings=ROOT_SETTINGS)
    for program, words in ((fresh, []), (outer, [name])):
        shown = CliRunner().invoke(program, [*words, "--help"]).stdout
        assert "-h, --help" in shown


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("glosary", "glossary"), ("overnigth", "overnight"), ("mesure", "measure")],
)
def test_an_unknown_topic_names_the_nearest(typed: str, meant: str) -> None:
    result = CliRunner().invoke(root, ["help", typed])
    assert result.exit_code == 2 and result.stdout == ""
    assert f"there is no help topic or command '{typed}'" in result.stderr
    assert meant in result.stderr


@pytest.mark.parametrize("no_colour", ["", "1"])
def test_a_terminal_gets_a_pager_and_escapes_only_with_colour(
    no_colour: str, tmp_path: Path
) -> None:
    pager = tmp_path / "less"  # only a pager of this name is known to take escapes
    pager.write_text("#!/bin/sh\nexec sed s/^/paged:/\n")
    pager.chmod(0o700)
    shown = in_a_terminal({"PAGER": str(pager), "NO_COLOR": no_colour})
    assert "paged:" in shown and "is the mean fractional frequency offset" in shown
    assert ("\x1b[1m" in shown) == (not no_colour)


def test_a_pager_that_takes_no_escapes_gets_none() -> None:
    shown = in_a_terminal({"PAGER": "sed s/^/paged:/", "NO_COLOR": ""})
    assert "paged:" in shown and "\x1b" not in shown


def in_a_terminal(more: dict[str, str]) -> str:
    """Return what `benchlog help figures` writes to a terminal of its own."""
    ours, theirs = pty.openpty()
    words = [sys.executable, "-m", "benchlog.cli", "help", "figures"]
    kept = {name: value for name, value in os.environ.items() if name != "LESS"}
    environment = {**kept, "TERM": "xterm", **more}
    with subprocess.Popen(
        words, stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    ) as process:
        os.close(theirs)
        shown = b""
        try:
            while piece := os.read(ours, 65536):
                shown += piece
        except OSError:  # the terminal's other side is closed
            pass
        finally:
            os.close(ours)
        assert process.wait(30) == 0, shown
    return shown.decode()


def test_markup_becomes_plain_text() -> None:
    page = (
        "# Title\n\n<!-- not run: why -->\n```console\n$ a\n\nb\n```\n**x** y\n## Z\n"
    )
    expected = "Title\n=====\n\n  $ a\n\n  b\n<x> y\nZ\n-\n"
    shown = plain.plain_text(page, lambda text: f"<{text}>")
    assert shown == expected.replace("Title", "<Title>").replace("Z", "<Z>")
