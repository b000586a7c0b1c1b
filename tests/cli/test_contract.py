"""The command line's contract, as far as it needs no bench: help, errors, JSON."""

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from benchlog import __version__
from benchlog.cli import root
from benchlog.cli.command import COMMANDS, GROUPS
from benchlog.cli.error_handling import told
from benchlog.errors import BenchlogError, ConfigError, NotFoundError, Problem

NAMES = list(COMMANDS)
NO_FIGURES = {"watch", "export", "completion", "report", "void", "correct", "backup"}
NO_FIGURES |= {"help", "stop"}  # a page is text, a word to a keeper is none


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchlog.cli", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("name", NAMES)
def test_help_has_the_listed_line_examples_and_common_options(name: str) -> None:
    result = CliRunner().invoke(root, [name, "--help"], catch_exceptions=False)
    assert result.exit_code == 0
    assert "\nExamples:\n  " in result.stdout
    for option in ("--db", "--debug", "--help"):
        assert option in result.stdout
    assert f"benchlog {name}" in result.stdout.split("Examples:")[1]


@pytest.mark.parametrize("name", sorted(set(NAMES) - NO_FIGURES))
def test_commands_that_yield_figures_take_json(name: str) -> None:
    result = CliRunner().invoke(root, [name, "--help"], catch_exceptions=False)
    assert "--json" in result.stdout


def test_help_lists_every_command_with_its_line() -> None:
    result = CliRunner().invoke(root, ["--help"])
    for name, text in COMMANDS.items():
        assert name in result.stdout
        assert text in result.stdout


def test_each_command_stands_in_one_group_of_what_one_does_in_a_day() -> None:
    grouped = [name for names in GROUPS.values() for name in names]
    assert sorted(grouped) == sorted(COMMANDS)
    shown = CliRunner().invoke(root, ["--help"]).stdout
    places = [shown.index(f"\n{heading}:\n  ") for heading in GROUPS]
    assert places == sorted(places)
    assert max(map(len, shown.splitlines())) <= 80


def test_short_help_is_the_commands_own() -> None:
    for name, text in COMMANDS.items():
        command = root.get_command(click.Context(root), name)
        assert command is not None and command.name == name
        assert command.short_help == text


def test_version() -> None:
    result = CliRunner().invoke(root, ["--version"])
    assert result.stdout == f"benchlog {__version__}\n"


def test_no_command_shows_help_and_is_bad_usage() -> None:
    result = CliRunner().invoke(root, [])
    assert result.exit_code == 2
    assert "Measure one device:" in result.stderr


def test_mistyped_command_names_the_nearest() -> None:
    result = CliRunner().invoke(root, ["mesure"])
    assert result.exit_code == 2
    assert "'mesure'" in result.stderr and "'measure'" in result.stderr
    assert result.stdout == ""


def test_a_part_in_place_of_a_command_is_told_what_to_write() -> None:
    result = CliRunner().invoke(root, ["parts", "quartz-16mhz-30ppm"])
    assert result.exit_code == 2 and "`parts show`" in result.stderr
    listed = CliRunner().invoke(root, ["parts", "list"])
    assert listed.exit_code == 0 and "quartz-16mhz-30ppm" in listed.stdout


def test_bad_usage_is_exit_code_2_without_traceback() -> None:
    done = run("runs", "--limit", "none")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr and "--limit" in done.stderr


def raising(error: Exception) -> click.Group:
    """A command line of one command that raises `error`."""

    class Told(click.Group):
        def invoke(self, ctx: click.Context) -> object:
            with told(ctx):
                return super().invoke(ctx)

    group = Told("benchlog", params=list(root.params))

    @group.command("break")
    def break_() -> None:
        raise error

    return group


PROBLEM = Problem("a.toml", "part.nominal_hz", "missing", "a number")


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (BenchlogError("the counter is gone"), 1, "benchlog: the counter is gone\n"),
        (NotFoundError("part", "quartx", ["quartz"]), 2, "did you mean quartz?"),
        (ConfigError([PROBLEM, PROBLEM]), 2, "2 problems in the configuration:\n"),
        (ValueError("odd\nlines"), 1, "ValueError: odd lines); run again with --debug"),
        (AssertionError(), 1, "AssertionError: no message); run again with --debug"),
    ],
)
def test_an_error_is_a_sentence_and_an_exit_code(
    error: Exception, code: int, said: str
) -> None:
    result = CliRunner().invoke(raising(error), ["break"])
    assert result.exit_code == code
    assert said in result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_what_an_instrument_said_cannot_move_the_cursor() -> None:
    error = BenchlogError("it said \x1b[2Jhello\u202e")
    result = CliRunner().invoke(raising(error), ["break"])
    assert "it said \\x1b[2Jhello\\x202e" in result.stderr


def test_debug_lets_the_error_through() -> None:
    error = BenchlogError("the counter is gone")
    result = CliRunner().invoke(raising(error), ["--debug", "break"])
    assert result.exception is error


def test_debug_after_the_command_shows_a_traceback() -> None:
    done = run("parts", "show", "no-such-part", "--debug")
    assert "Traceback" in done.stderr and "NotFoundError" in done.stderr
    assert done.returncode == 1


def test_unknown_part_is_a_sentence_with_near_matches() -> None:
    done = run("parts", "show", "quartz-16mhz-30pm", "--json")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "quartz-16mhz-30ppm" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_reader_that_goes_away_is_no_error_of_ours() -> None:
    words = [sys.executable, "-m", "benchlog.cli", "parts", "list", "--json"]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
        process.wait(30)
    assert "Traceback" not in said and "unexpected" not in said


def test_parts_json_is_one_document_with_the_parts_fields() -> None:
    done = run("parts", "--json")
    parts = json.loads(done.stdout)
    assert done.returncode == 0
    quartz = next(part for part in parts if part["id"] == "quartz-16mhz-30ppm")
    assert quartz["nominal_hz"] == 16e6
    assert quartz["limits"]["tolerance_ppm"] == 30


def test_the_examples_that_the_manual_names_are_where_it_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`benchlog help files`: the last line of `parts show`, and the folders beside."""
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(root, ["parts", "show", "quartz-16mhz-30ppm"])
    label, path = done.stdout.splitlines()[-1].split(maxsplit=1)
    folder = Path(path).parent
    assert (label, folder.name) == ("file", "parts") and Path(path).is_file()
    for example in (
        "benches/counter-tcp.toml",
        "dialects/scpi-1999.toml",
        "dialects/line-hz.toml",
        "uses/serial-x16.toml",
    ):
        assert (folder.parent / example).is_file()
