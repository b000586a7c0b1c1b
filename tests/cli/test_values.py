"""What may be typed as a duration, a number, a text, a run."""

import click
import pytest

from benchlog.cli.typed_values import (
    DeviceId,
    Duration,
    FiniteNumber,
    RunId,
    SupplyVolts,
    Text,
)


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
