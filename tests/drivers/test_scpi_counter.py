"""scpi-counter over a real socket: what is sent, what is read back, what is refused."""

import itertools
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.catalogue import load_dialect
from benchlog.clock import host_sleep
from benchlog.driver_kit.scpi import is_identification
from benchlog.driver_kit.settings import same_setting
from benchlog.errors import (
    GarbledError,
    LostError,
    OutOfStepError,
    RefusedError,
    SilentError,
)
from benchlog.model import Dialect
from benchlog.testing import HurriedClock, Script, TcpPeer
from benchlog.testing.faults import SILENT, TWO_LINES, Fault

STANDARD = load_dialect("scpi-1999")
INPUTS = load_dialect("scpi-inputs")
NO_ERROR = '0,"No error"'
ANSWERS = {"*IDN?": "SIMULATED,Counter,7,1.0-2,rev b", "SYSTem:ERRor?": NO_ERROR}
APERTURE = "SENSe:FREQuency:APERture"
VALUE = "+1.59998520000E+07"


def script(
    answers: Mapping[str, str] = ANSWERS, settings: tuple[str, ...] = (APERTURE,)
) -> Script:
    return Script(answers, ("READ?", VALUE), settings)


@contextmanager
def opened(
    said: Script, dialect: Dialect = STANDARD, **options: object
) -> Iterator[ScpiCounter]:
    with TcpPeer(said) as peer:
        given = {"dialect": dialect, "gate_s": 0.02, **options}
        counter = ScpiCounter(peer.address, given, HurriedClock())
        try:
            counter.open()
            yield counter
        finally:
            counter.close()


def test_only_declared_commands_in_the_order_of_a_bench() -> None:
    said = script()
    with opened(said) as counter:
        counter.read()
        counter.read()
    assert said.heard == [
        "ABORt",
        "*IDN?",
        "SYSTem:ERRor?",
        "*CLS",
        "CONFigure:FREQuency",
        f"{APERTURE} 0.02",
        f"{APERTURE}?",
        "SYSTem:ERRor?",
        "READ?",
        "READ?",
    ]


def test_identity_is_split_at_the_first_three_commas() -> None:
    """IEEE 488.2, 10.14: the fourth field may hold anything."""
    with opened(script()) as counter:
        identity = counter.identify()
    assert identity.who == ("SIMULATED", "Counter", "7")
    assert identity.firmware == "1.0-2,rev b"
    assert identity.simulated
    assert identity.settings["gate_s"] == "0.02"
    assert identity.settings["dialect"] == "scpi-1999"


@pytest.mark.parametrize(
    ("reply", "who", "simulated"),
    [
        ("Maker, M1 , 00012,", ("Maker", "M1", "00012"), False),
        ("COUNTER", ("COUNTER", "", ""), False),
        ("simulated,a,b,c", ("simulated", "a", "b"), True),
    ],
)
def test_short_and_odd_identities(
    reply: str, who: tuple[str, str, str], simulated: bool
) -> None:
    with opened(script({**ANSWERS, "*IDN?": reply})) as counter:
        identity = counter.identify()
    assert (identity.who, identity.simulated) == (who, simulated)


def test_gate_of_the_samples_is_what_was_read_back() -> None:
    said = script({**ANSWERS, f"{APERTURE}?": "2.0004E-02"}, settings=())
    with opened(said) as counter:
        assert counter.read().gate_s == 0.020004
        assert counter.read_limit_s == 0.020004


def test_gate_that_is_not_taken_is_refused_with_the_reason() -> None:
    said = script({**ANSWERS, f"{APERTURE}?": "0.1"}, settings=())
    with pytest.raises(RefusedError) as caught, opened(said):
        pass
    for part in ("gate_s = 0.02", "'0.1'", "Give a value"):
        assert part in str(caught.value)
    assert caught.value.raw == b"0.1\n"


def test_every_input_setting_is_sent_read_back_and_recorded() -> None:
    headers = (
        APERTURE,
        "INPut2:COUPling",
        "INPut2:IMPedance",
        "INPut2:FILTer",
        "TRIGger:LEVel",
    )
    said = script(settings=headers)
    wanted = {
        "input": 2,
        "coupling": "ac",
        "impedance_ohm": 50.0,
        "filter": True,
        "trigger_v": -0.25,
    }
    with opened(said, INPUTS, **wanted) as counter:
        settings = counter.identify().settings
    assert "CONFigure:FREQuency (@2)" in said.heard
    assert "INPut2:FILTer ON" in said.heard
    assert settings["input"] == "2 (not read back)"
    assert settings["coupling"] == "ac"
    assert settings["impedance_ohm"] == "50"
    assert settings["trigger_v"] == "-0.25"


def test_input_one_goes_without_saying() -> None:
    said = script()
    with opened(said, INPUTS):
        assert "CONFigure:FREQuency (@1)" in said.heard


@pytest.mark.parametrize(
    ("name", "value"),
    [("input", 2), ("coupling", "ac"), ("impedance_ohm", 50.0), ("filter", False)],
)
def test_a_setting_the_dialect_does_not_know(name: str, value: object) -> None:
    said = script()
    with pytest.raises(RefusedError) as caught, opened(said, **{name: value}):
        pass
    for part in ("scpi-1999", name, "remove it", "_set"):
        assert part in str(caught.value)


def test_a_setting_that_cannot_be_read_back_is_refused_by_the_error_queue() -> None:
    commands = {**STANDARD.commands, "trigger_set": "TRIG {trigger_v}"}
    dialect = replace(STANDARD, commands=commands)
    said = script({**ANSWERS, "SYSTem:ERRor?": '-222,"Data out of range"'})
    with (
        pytest.raises(RefusedError, match=r"-222.*trigger_v"),
        opened(said, dialect, trigger_v=500.0),
    ):
        pass


def test_error_queue_is_drained_reported_and_bounded() -> None:
    said = script({**ANSWERS, "SYSTem:ERRor?": '-113,"Undefined header"'})
    with opened(said) as counter:
        messages = counter.messages()
        assert counter.messages() == ()
    assert messages == ('-113,"Undefined header"',) * 20
    assert said.heard.count("SYSTem:ERRor?") == 40  # 20 before and 20 after setup


def test_a_dialect_without_error_queue_and_identity_is_enough() -> None:
    bare = Dialect(name="bare", talks="scpi", commands={"read": "READ?"})
    said = script({}, ())
    with opened(said, bare) as counter:
        assert counter.read().value == 15_999_852.0
        identity = counter.identify()
    assert said.heard == ["READ?"]
    assert "cannot be asked" in identity.text
    assert identity.settings["gate_s"] == "0.02 (not read back)"


def test_initiate_and_fetch_go_in_one_write_where_there_is_no_read() -> None:
    commands = {k: v for k, v in STANDARD.commands.items() if k != "read"}
    said = Script(ANSWERS, ("FETCh?", VALUE), [APERTURE])
    with opened(said, replace(STANDARD, commands=commands)) as counter:
        assert counter.read().value == 15_999_852.0
    assert said.heard[-2:] == ["INITiate", "FETCh?"]


def test_a_period_keeps_the_words_of_the_counter() -> None:
    said = Script(ANSWERS, ("READ?", "3.0517578125E-05"), ["SENSe:PERiod:APERture"])
    with opened(said, load_dialect("scpi-period")) as counter:
        sample = counter.read()
    assert sample.value == pytest.approx(32_768.0, rel=1e-12)  # 2^15 and its inverse
    assert sample.raw == b"3.0517578125E-05"
    assert sample.step == pytest.approx(1e-15 * 32_768.0**2)


def test_carriage_return_does_no_harm() -> None:
    answers = {**ANSWERS, f"{APERTURE}?": "0.02\r"}
    said = Script(
        {ask: f"{reply}\r" for ask, reply in answers.items()}, ("READ?", f"{VALUE}\r")
    )
    with opened(said) as counter:
        sample = counter.read()
        assert counter.identify().firmware == "1.0-2,rev b"
    assert sample.raw == VALUE.encode()


# --- answers and questions must belong together


def test_bytes_that_wait_before_a_question_are_out_of_step() -> None:
    unasked = Fault("more later", lambda good: (good, 0.05, b"+4.4E+02\n"), ())
    said = script()
    said.misbehave(unasked)
    with opened(said) as counter:
        counter.read()
        host_sleep(0.2)
        with pytest.raises(OutOfStepError) as caught:
            counter.read()
        assert caught.value.raw == b"+4.4E+02\n"
        assert "READ?" in str(caught.value)
        assert said.heard.count("READ?") == 1  # nothing was asked on top of it


def test_two_lines_are_out_of_step_with_both_kept() -> None:
    said = script()
    said.misbehave(TWO_LINES)
    with opened(said) as counter:
        with pytest.raises(OutOfStepError) as caught:
            counter.read()
        assert caught.value.raw == f"{VALUE}\n".encode() + b"+4.44000000E+02\n"


def test_an_answer_before_its_gate_is_over_is_out_of_step() -> None:
    """A second line that comes a moment after the next question was asked."""
    numbers = itertools.count(16_000_000)
    said = Script(
        ANSWERS, ("READ?", lambda: f"{next(numbers)}"), [APERTURE], gate_s=0.2
    )
    twice = Fault("twice", lambda good: (good, 0.03, good), ())
    with opened(said, gate_s=0.2) as counter:
        counter.read()
        said.misbehave(twice)
        assert counter.read().value == 16_000_001
        with pytest.raises(OutOfStepError, match="before its gate was over") as caught:
            counter.read()
        assert caught.value.raw == b"16000001\n"


def test_an_instrument_that_never_waits_for_its_gate_is_believed() -> None:
    """It measures all the time and answers with what it has."""
    with opened(script(), gate_s=10.0) as counter:
        assert [counter.read().value for _ in range(3)] == [15_999_852.0] * 3


def test_a_slow_way_is_not_taken_for_a_short_gate() -> None:
    """Two answers took 10 ms on their way, the third came at once."""
    late = Fault("late", lambda good: (0.01, good), ())
    said = script()
    said.misbehave(late, late)
    with opened(said, gate_s=0.01) as counter:
        assert [counter.read().value for _ in range(4)] == [15_999_852.0] * 4


def test_a_long_rest_in_the_middle_is_no_answer() -> None:
    halves = Fault("halves", lambda good: (good[:4], 0.6, good[4:]), ())
    said = script()
    said.misbehave(halves)
    with opened(said, extra_s=2.0) as counter:
        with pytest.raises(GarbledError, match="in the middle"):
            counter.read()
        counter.close()
        counter.open()
        assert counter.read().value == 15_999_852.0


def test_late_answers_before_the_identification_are_skipped_and_told() -> None:
    late = '+4.4E+02\n-113,"Undefined header"\nMAKER,MODEL,7,1.0'
    with opened(script({**ANSWERS, "*IDN?": late})) as counter:
        assert counter.identify().maker == "MAKER"
        messages = counter.messages()
    assert [message[:22] for message in messages] == ["skipped a late answer:"] * 2


def test_something_that_never_identifies_itself() -> None:
    numbers = "\n".join(["1.5E7"] * 40)
    with (
        pytest.raises(OutOfStepError, match="without identifying"),
        opened(script({**ANSWERS, "*IDN?": numbers})),
    ):
        pass


def test_an_identification_in_the_error_queue_is_out_of_step() -> None:
    with (
        pytest.raises(OutOfStepError),
        opened(script({**ANSWERS, "SYSTem:ERRor?": "MAKER,MODEL,7,1.0"})),
    ):
        pass


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("MAKER,MODEL,0,0", True),
        ("COUNTER 5", True),
        ("1.5E7", False),
        ("+1.5E+07,+1.6E+07", False),
        ('-113,"Undefined header"', False),
        ("0", False),
        ("", False),
        (",,,", False),
    ],
)
def test_what_can_be_an_identification(text: str, expected: bool) -> None:
    assert is_identification(text) is expected


def test_silence_names_what_a_person_needs() -> None:
    said = script()
    said.misbehave(SILENT)
    with opened(said) as counter:
        with pytest.raises(SilentError) as caught:
            counter.read()
        for part in (counter.address, "'READ?'", "0 bytes", "'\\n'", "signal"):
            assert part in str(caught.value)


def test_patience_holds_for_every_answer() -> None:
    slow = Fault("slow", lambda good: (0.4, good), ())
    said = script()
    said.misbehave(slow)
    with opened(said, extra_s=1.0) as counter:
        assert counter.read_limit_s == 1.02
        assert counter.read().value == 15_999_852.0


def test_garbage_is_kept() -> None:
    said = Script(ANSWERS, ("READ?", "FREQ \x1b[2J"), [APERTURE])
    with opened(said) as counter:
        with pytest.raises(GarbledError) as caught:
            counter.read()
        assert caught.value.raw == b"FREQ \x1b[2J\n"
        assert "\x1b" not in str(caught.value)


# --- settings, dialects, order of calls


@pytest.mark.parametrize(
    ("wanted", "got", "same"),
    [
        ("1", "1.000000E+00", True),
        ("0.1", "0.10009", True),
        ("0.1", "0.1002", False),
        ("0", "1E-12", True),
        ("ON", "1", True),
        ("OFF", "1", False),
        ("AC", '"ac"', True),
        ("AC", "DC", False),
        ("IMMEDIATE", "IMM", True),
        ("1", "ON", True),
        ("2", "ON", False),
        ("AC", "", False),
        ("50", "MIN", False),
    ],
)
def test_same_setting(wanted: str, got: str, same: bool) -> None:
    assert same_setting(wanted, got) is same


@pytest.mark.parametrize(
    ("dialect", "part"),
    [
        (load_dialect("line-hz"), "talks is 'line'"),
        (load_dialect("scpi-thermometer"), "in 'C'"),
        (replace(STANDARD, reply=".*"), "no group 'value'"),
        (replace(STANDARD, reply="("), "no regular expression"),
        ("scpi-1999", "not read from its file"),
        (replace(STANDARD, commands={"read": "READ? {gate}"}), "names a setting"),
        (replace(STANDARD, commands={"identify": "*IDN?"}), "no way to fetch"),
    ],
)
def test_dialects_of_no_use_are_refused(dialect: Dialect, part: str) -> None:
    with pytest.raises(RefusedError, match=part), opened(script(), dialect) as counter:
        counter.read()


def test_reading_before_opening() -> None:
    counter = ScpiCounter("there", {"dialect": STANDARD}, HurriedClock())
    for call in (counter.read, counter.identify):
        with pytest.raises(LostError, match="there is not open"):
            call()
