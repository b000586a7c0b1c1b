"""What may be typed as a duration, a number, a text, a run."""

import shutil
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from benchlog.cli import root
from benchlog.cli.typed_seconds import Seconds, SecondsInRange
from benchlog.cli.typed_values import (
    DeviceId,
    Duration,
    FiniteNumber,
    RunId,
    SupplyVolts,
    Text,
)
from benchlog.clock import HostClock
from benchlog.store.writer import Writer

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"


@pytest.mark.parametrize(
    ("text", "seconds"), [("90s", 90.0), ("1h30m", 5400.0), ("250ms", 0.25)]
)
def test_durations(text: str, seconds: float) -> None:
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize("text", ["", "90", "-1s", "0s", "1e3s", "1m 5", "\u0661s\x00"])
def test_what_is_no_duration_is_refused_with_the_accepted_forms(text: str) -> None:
    with pytest.raises(click.BadParameter, match="1h30m"):
        Duration().convert(text, None, None)


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "0", "-3", "", "1,5"])
def test_numbers_must_be_finite_and_above_the_bound(text: str) -> None:
    with pytest.raises(click.BadParameter, match="above 0"):
        FiniteNumber(above=0).convert(text, None, None)


def test_any_unicode_is_a_text() -> None:
    text = "  Ω/7 水晶 'x'; DROP TABLE \x1b[2J  "
    assert Text().convert(text, None, None) == text.strip()


@pytest.mark.parametrize("text", ["", " \t", "id-\udcff"])
def test_what_is_no_text_is_refused(text: str) -> None:
    with pytest.raises(click.BadParameter):
        Text().convert(text, None, None)


@pytest.mark.parametrize("text", ["0", "-1", "x", str(2**63), "1.0"])
def test_what_is_no_run_is_refused(text: str) -> None:
    with pytest.raises(click.BadParameter, match="benchlog runs"):
        RunId().convert(text, None, None)


def test_a_decimal_comma_says_how_to_write_it() -> None:
    with pytest.raises(click.BadParameter, match="decimals follow a point"):
        FiniteNumber().convert("2,8", None, None)


def test_a_supply_beyond_belief_is_warned_of_and_kept(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert SupplyVolts().convert("3.3", None, None) == 3.3
    assert capsys.readouterr().err == ""
    assert SupplyVolts().convert("999", None, None) == 999.0
    assert "999 V is beyond 60 V" in capsys.readouterr().err


@pytest.mark.parametrize(
    "text",
    ["KX\t0412", "KX\n0412", "KX\r0412", "KX\u20280412", "K" * 121, " ", "\udcff"],
)
def test_a_device_id_is_one_short_line(text: str) -> None:
    with pytest.raises(click.BadParameter):
        DeviceId().convert(text, None, None)


@pytest.mark.parametrize("text", ["KX-0412", "K" * 120, "Nº 7 / é", "=1+1"])
def test_whatever_else_can_be_read_off_a_device_is_its_id(text: str) -> None:
    assert DeviceId().convert(f" {text}\n", None, None) == text


@pytest.mark.parametrize(
    ("asked", "meant"),
    [
        (("measure", "--gate-s", "200ms"), "0.2"),
        (("measure", "--gate-s", "fast"), "0.2"),
        (("bench", "new", "corner", "--gate-s", "2s"), "2"),
        (("bench", "new", "corner", "--pulse-u-s", "100ms"), "0.1"),
        (("simulate", "--gate-s", "1m"), "60"),
        (("simulate", "--stamp-jitter-s", "1ms"), "0.001"),
        (("simulate", "--dead-time-s", "1h"), "3600"),
        (("import", __file__, "--gate-s", "200ms"), "0.2"),
    ],
)
def test_an_option_in_seconds_says_so(asked: tuple[str, ...], meant: str) -> None:
    done = CliRunner().invoke(root, list(asked))
    said = " ".join(done.stderr.replace("│", " ").split())
    assert done.exit_code == 2
    assert f"; it is in seconds, such as {meant}" in said


def test_every_option_in_seconds_is_read_as_one() -> None:
    left, found = [root], []
    while left:
        one = left.pop()
        with click.Context(one) as ctx:
            if isinstance(one, click.Group):
                commands = [
                    one.get_command(ctx, name) for name in one.list_commands(ctx)
                ]
                left += [command for command in commands if command is not None]
            found += [
                option
                for option in one.get_params(ctx)
                if any(name.endswith("-s") and len(name) > 3 for name in option.opts)
            ]
    assert {name for option in found for name in option.opts} >= {"--gate-s"}
    for option in found:
        assert isinstance(option.type, Seconds | SecondsInRange), option.opts


@pytest.mark.parametrize("command", ["runs", "devices", "results", "lots"])
def test_a_part_of_octets_that_are_no_text_is_none(
    command: str, tmp_path: Path
) -> None:
    """Before: something unexpected (UnicodeEncodeError)."""
    path = tmp_path / "bench.db"
    Writer.open(path, HostClock()).close()
    words = [command, "--part", "part-\udcff", "--db", str(path)]
    told = CliRunner().invoke(root, words)
    assert told.exit_code == 2
    assert "is no text" in told.stderr


@pytest.mark.parametrize("option", ["--refcheck", "--soak"])
def test_a_number_of_5000_digits_is_none(option: str, tmp_path: Path) -> None:
    """Before: something unexpected, as Python reads no more than 4,300 digits."""
    path = shutil.copy(CORPUS / "trial.db", tmp_path / "bench.db")
    words = ["judge", "1", option, "9" * 5_000, "--db", str(path)]
    told = CliRunner().invoke(root, words)
    assert told.exit_code == 2
    assert "give its number" in told.stderr
