"""Marks as people type them at a bench: what is taken, what is asked back."""

import pytest

from benchlog.control import Answer
from benchlog.screen.panels import answered
from benchlog.verdict.run.run_marks import read_mark


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("supply 2.8 V", 2.8),
        ("Supply: 3.3V", 3.3),
        ("supply to 5 v", 5.0),
        ("supply 0 V", 0.0),
        ("warming", None),
        ("cooling with the spray", None),
        ("touched the can", None),
        ("", None),
        ("12 V fan on", None),  # of no supply of the device
    ],
)
def test_plain_marks_are_taken_without_a_word(text: str, volts: float | None) -> None:
    found = read_mark(text)
    assert (found.volts, found.said) == (volts, "")


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("coooling", "cooling"),
        ("Warmign", "warming"),
        ("warm", "warming"),
        ("suply 2.8 V", "supply"),
        ("cooing: spray", "cooling"),
    ],
)
def test_a_slip_is_asked_back(text: str, meant: str) -> None:
    found = read_mark(text)
    assert (found.volts, found.said) == (None, f"did you mean {meant}?")


def test_a_decimal_comma_is_understood_and_said() -> None:
    found = read_mark("supply 2,8 V")
    assert (found.volts, found.said) == (2.8, "understood as 2.8 V")


@pytest.mark.parametrize("text", ["supply 999 V", "supply 2800 V", "supply 3300000 V"])
def test_a_voltage_that_no_part_has_is_not_taken(text: str) -> None:
    found = read_mark(text)
    assert found.volts is None and "not taken as a supply" in found.said


@pytest.mark.parametrize(
    "text",
    ["supply 2.8", "supply", "supply -5 V", "supply 9 mV", "supply turned down to 2 V"],
)
def test_a_supply_without_its_voltage_says_how_to_write_it(text: str) -> None:
    found = read_mark(text)
    assert found.volts is None and "write it as: supply 2.8 V" in found.said


@pytest.mark.parametrize(
    ("typed", "asked"), [("33", True), ("1", True), ("2.8", False)]
)
def test_a_voltage_far_from_the_stated_one_is_asked(typed: str, asked: bool) -> None:
    found = read_mark(f"supply {typed} V", stated_v=3.3)
    assert found.volts == float(typed)
    assert ("3.3 V is stated" in found.said) is asked


def test_the_screen_says_that_it_is_kept_and_what_is_odd() -> None:
    answer = Answer(ok=True, data={"said": "did you mean cooling?"})
    said = answered("mark", answer)
    assert said == "the moment is marked; did you mean cooling?"
    assert answered("mark", Answer(ok=True)) == "the moment is marked"
