"""No pattern of a dialect holds up its instrument, and no reply is without bounds.

The patterns below pass the look at their text (`may_explode`) and took seconds for a
line of 14 to 60 digits before they were tried, and for ever for a longer one.
"""

import math
import threading
from importlib.resources import files

import pytest
from benchlog_drivers.line_counter import LineCounter

from benchlog.catalogue import load_dialect
from benchlog.catalogue.dialects import may_explode
from benchlog.clock import HostClock, cpu_s
from benchlog.driver_kit import reply_patterns
from benchlog.driver_kit.numbers import parse_number, parse_reply
from benchlog.driver_kit.reply_patterns import (
    LIMIT_S,
    MOST_COLUMNS,
    MOST_REPLY,
    TooSlowError,
    example_of,
    match_reply,
    pattern_fault,
    slow_line,
)
from benchlog.errors import GarbledError, RefusedError
from benchlog.model import Dialect

PAST_THE_STATIC_CHECK = {
    "options side by side": r"(?P<value>" + r"\d?" * 40 + r")x",
    "repeats side by side": r"(?P<value>\d*\d*\d*\d*\d*\d*)x",
    "a comment before the repeat": r"(?P<value>(?:\d+)(?#)+)x",
    "behind a beginning": r"FREQ ,?(?P<value>(?:\d+)(?#)+)x",
    "a blank before the repeat": r"(?x)(?P<value>(?:\d+) +)x",
    "a bracket in a comment": "(?x)(?P<value>(?:\\d+ # (\n)+)x",
}
HONEST = [
    Dialect(name="x", talks="line").reply,
    r"(?P<value>\d{1,3}(,\d{3})*)",
    r"(F=|f=)?(?P<value>[-+]?\d+\.\d*) ?(Hz|HZ)",
    r"\s*F\s*=\s*(?P<value>[-+]?\d+\.?\d*)\s*(k|M)?Hz\s*",
    r"(?:[^,]*,){5}(?P<value>[^,]*)(?:,.*)?",
    r".*,.*,.*,(?P<value>[\d.]+),.*",
    r".*?(?P<value>[-+\d.eE]+)\s*(?:Hz)?.*",
    r"(?P<value>" + "a" * 280 + ")",
    r"(?>\s*)(?P<value>\d++)(?<=\d)$",
]


@pytest.mark.parametrize("pattern", PAST_THE_STATIC_CHECK.values())
def test_a_pattern_that_explodes_is_found_by_trying_it(pattern: str) -> None:
    assert not may_explode(pattern)
    began_s = cpu_s()
    assert "takes too long on a line of" in pattern_fault(pattern)
    assert cpu_s() - began_s < 3.0


class OnlyJustSlow:
    """A pattern that is slow for lines of 18 to 20, but not twice, and for longer ones.

    Lines get longer by three, so each way to make them longer has one of these.
    """

    pattern = r"(?P<value>\d+)"

    def __init__(self) -> None:
        self.seen = 0

    def fullmatch(self, line: str) -> None:
        letters = len(line.removesuffix("\x01"))
        is_edge = 18 <= letters <= 20
        self.seen += is_edge
        if letters > 20 or (is_edge and self.seen % 2):
            until_s = cpu_s() + 0.03
            while cpu_s() < until_s:
                pass


def test_one_that_is_only_just_slow_is_found_at_longer_lines() -> None:
    found = slow_line(OnlyJustSlow())  # type: ignore[arg-type]
    assert found is not None and len(found) > 21


def test_it_is_found_where_no_timer_can_stop_it() -> None:
    """In another thread a match cannot be stopped; lines that grow bound the trial."""
    found: list[str] = []

    def look() -> None:
        pattern = PAST_THE_STATIC_CHECK["a blank before the repeat"] + "y"
        found.append(pattern_fault(pattern))

    thread = threading.Thread(target=look)
    thread.start()
    thread.join(20.0)
    assert len(found) == 1 and "takes too long" in found[0]


@pytest.mark.parametrize("pattern", HONEST)
def test_an_honest_pattern_passes(pattern: str) -> None:
    assert pattern_fault(pattern) == ""


def test_a_pause_of_the_process_is_no_fault_of_a_pattern(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A look for garbage in a large process once took the time of a slow line."""
    asked = iter(range(10**9))

    def paused_once() -> float:
        return cpu_s() + (0.5 if next(asked) > 3 else 0.0)

    monkeypatch.setattr(reply_patterns, "cpu_s", paused_once)
    assert pattern_fault(r"PAUSED (?P<value>\d+\.\d+)") == ""
    assert next(asked) > 10


def test_every_dialect_of_ours_passes() -> None:
    folder = files("benchlog.configs") / "dialects"
    names = [one.name for one in folder.iterdir() if one.name.endswith(".toml")]
    assert len(names) >= 9
    for name in names:
        assert pattern_fault(load_dialect(name.removesuffix(".toml")).reply) == ""


def test_an_example_is_taken_by_its_pattern() -> None:
    for pattern in HONEST[:-1]:
        example = example_of(pattern)
        assert match_reply(pattern, example), (pattern, example)


def test_one_line_is_matched_for_a_tenth_of_a_second_at_most() -> None:
    pattern = PAST_THE_STATIC_CHECK["a comment before the repeat"]
    began_s = cpu_s()
    with pytest.raises(TooSlowError):
        match_reply(pattern, "1" * 60)
    assert cpu_s() - began_s < 3 * LIMIT_S
    assert match_reply(r"(?P<value>\d+)", "12")  # and the next one as ever


def test_a_line_that_was_not_foreseen_is_garbled_and_told() -> None:
    pattern = PAST_THE_STATIC_CHECK["a comment before the repeat"]
    dialect = Dialect(name="x", talks="scpi", reply=pattern)
    line = b"1" * 60 + b"\n"
    with pytest.raises(GarbledError, match=f"more than {LIMIT_S:g} s") as caught:
        parse_reply(line, dialect, "Hz", address="here")
    assert caught.value.raw == line


def test_a_driver_refuses_such_a_dialect_before_it_listens() -> None:
    pattern = PAST_THE_STATIC_CHECK["options side by side"]
    dialect = Dialect(name="trap", talks="line", reply=pattern)
    driver = LineCounter("/dev/not-a-port", {"dialect": dialect}, HostClock())
    with pytest.raises(RefusedError, match=r"'trap'.*takes too long"):
        driver.open()


@pytest.mark.parametrize("pattern", ["(", r"\d+", "a{99999999999}", "(?P<value>" * 500])
def test_a_broken_pattern_has_a_reason(pattern: str) -> None:
    assert pattern_fault(pattern)


# --- bounds of replies and of numbers

PLAIN = Dialect(name="x", talks="scpi", reply=r".*?(?P<value>[^,;\t]*)")


@pytest.mark.parametrize("digits", [65, 500, 8_000, 65_000])
def test_a_number_has_64_characters_at_most(digits: int) -> None:
    began_s = cpu_s()
    assert parse_number("1" * digits) is None
    with pytest.raises(GarbledError):
        parse_reply(b"1" * digits + b"\n", Dialect(name="x", talks="scpi"), "Hz")
    assert cpu_s() - began_s < 0.05
    assert parse_number("1" * 64) is not None


@pytest.mark.parametrize("between", [b",", b";", b"\t"])
def test_a_reply_has_a_bounded_number_of_columns(between: bytes) -> None:
    good = between.join([b"1"] * MOST_COLUMNS) + b"\n"
    assert parse_reply(good, PLAIN, "Hz").value == 1.0
    with pytest.raises(GarbledError):
        parse_reply(b"1" + between + good, PLAIN, "Hz")


def test_a_reply_has_a_bounded_length() -> None:
    assert parse_reply(b" " * (MOST_REPLY - 2) + b"1\n", PLAIN, "Hz").value == 1.0
    with pytest.raises(GarbledError):
        parse_reply(b" " * MOST_REPLY + b"1\n", PLAIN, "Hz")


def test_the_last_digit_of_a_number_is_worth_something() -> None:
    for text in ("0e-400", "1e-400", "0.0", "1e-323"):
        number = parse_number(text)
        assert number is not None
        assert 0 < number.step < math.inf


def test_the_trial_knows_every_kind_of_pattern() -> None:
    """It reads patterns with Python's own parser, which another version may change."""
    for name in ("ATOMIC_GROUP", "POSSESSIVE_REPEAT", "SUBPATTERN", "IN", "BRANCH"):
        assert hasattr(reply_patterns.ops, name)
