"""The counter's interpreter against SCPI-1999 and IEEE 488.2."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate.lab import Desk
from tiers import seldom

from benchlog.simulate.instruments.scpi_device import ERRORS
from benchlog.simulate.physics.counting import CounterSpec

NR3 = re.compile(r"[+-]\d\.\d+E[+-]\d{2}")  # IEEE 488.2, 8.7.4


def test_identity_has_four_fields_and_says_simulated():
    identity = Desk().ask("*IDN?")  # IEEE 488.2, 10.14; at most 72 characters
    assert identity == "SIMULATED,Bench Counter,SIM-0001,1.0"
    assert len(identity) <= 72


def test_a_reading_takes_the_gate_and_is_nr3():
    desk = Desk()
    assert desk.ask("*CLS;:CONF:FREQ;:SENS:FREQ:APER 0.5") is None
    before_ns = desk.clock.mono_ns()
    text = desk.ask("READ?")
    assert desk.clock.mono_ns() - before_ns == 500_000_000
    assert NR3.fullmatch(text)
    assert float(text) == pytest.approx(16e6 * (1 + 10e-6), abs=0.1)


def test_period_is_the_reciprocal():
    desk = Desk()
    frequency, period = desk.ask("MEAS:FREQ?"), desk.ask("MEAS:PER?")
    assert float(frequency) * float(period) == pytest.approx(1.0, abs=1e-7)


# SCPI-1999 vol. 1, 6.2.4: after a semicolon a header without a colon continues at the
# level of the one before; a common command does not change the level.
def test_compound_headers():
    desk = Desk()
    assert desk.ask("SENS:FREQ:APER 0.2;APER?") == "+2.000000000E-01"
    assert desk.ask("SENS:FREQ:APER 0.3;*ESR?;APER?").endswith("+3.000000000E-01")
    assert desk.error() == 0
    desk.ask("SENS:FREQ:APER 0.4;SENS:FREQ:APER?")
    assert desk.error() == -113
    assert desk.ask("SENS:FREQ:APER 0.4;:SENS:FREQ:APER?") == "+4.000000000E-01"


def test_several_answers_are_joined_by_semicolons():
    assert Desk().ask("*OPC?;:SYST:VERS?;:SYST:ERR?") == '1;1999.0;0,"No error"'


# SCPI-1999 vol. 2, 21.8
@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FREQ\x02?", -101),
        ("SENS:FREQ:APER abc", -104),
        ("READ? 1", -108),
        ("SENS:FREQ:APER", -109),
        ("#H1F", -110),
        ("FREQ$", -111),
        ("SENS:FREQUENCYAPERTURE 1", -112),
        ("HELLO", -113),
        ("READ", -113),
        ("INP3:COUP AC", -114),
        ("SENS:FREQ:APER 1x2", -121),
        ("SENS:FREQ:APER 1 V", -131),
        ("INIT;:INIT", -213),
        ("SENS:ROSC:SOUR EXT", -221),
        ("SENS:FREQ:APER 9999", -222),
        ("SENS:FREQ:APER 0", -222),
        ("INP:COUP XX", -224),
        ("FETC?", -230),
        ("SENS:FUNC FREQ", -151),
        ("CONF:FREQ (@9)", -114),
        ("CONF:FREQ (@", -171),
    ],
)
def test_error_codes(message, code):
    desk = Desk()
    assert desk.ask(message) is None
    assert desk.error() == code
    assert desk.error() == 0


# From the same table: number and text of each error we may report.
@pytest.mark.parametrize(
    ("code", "text"),
    [
        (0, "No error"),
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-230, "Data corrupt or stale"),
        (-350, "Queue overflow"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
    ],
)
def test_error_texts(code, text):
    assert ERRORS[code] == text


def test_a_refused_gate_stays_as_it_was():
    desk = Desk()
    said = desk.ask("SENS:FREQ:APER 0.2;APER 5000;APER?")
    assert said == "+2.000000000E-01"
    assert desk.error() == -222


def test_a_full_queue_ends_with_overflow():
    desk = Desk()
    for _ in range(50):
        desk.ask("NONSENSE")
    codes = [desk.error() for _ in range(21)]
    assert codes[:19] == [-113] * 19
    assert codes[19:] == [-350, 0]


# IEEE 488.2, 11.5.1: CME 32, EXE 16, DDE 8, QYE 4, PON 128, OPC 1; reading clears.
def test_event_status_register():
    desk = Desk()
    assert desk.ask("*ESR?;*ESR?") == "128;0"
    desk.ask("NONSENSE")
    desk.ask("FREQ:APER 9999")
    desk.ask("*OPC")
    assert desk.ask("*ESR?") == str(32 + 16 + 1)
    assert int(desk.ask("*STB?")) & 4  # error queue not empty (SCPI-1999 vol. 1, 9)
    desk.ask("*ESE 32;*SRE 32")
    desk.ask("*CLS")
    assert desk.ask("*STB?;*ESR?") == "0;0"
    desk.ask("NONSENSE")
    assert int(desk.ask("*STB?")) & (32 | 64) == 32 | 64


def test_initiate_and_fetch():
    desk = Desk()
    desk.ask("FREQ:APER 2;:INIT")
    begun_ns = desk.clock.mono_ns()
    desk.clock.sleep(1.5)  # the gate is open since INITiate
    first = desk.ask("FETC?")
    assert desk.clock.mono_ns() == begun_ns + 2_000_000_000
    assert NR3.fullmatch(first)
    assert desk.ask("FETC?") == first  # the same result, no new gate
    assert desk.ask("INIT;*OPC?;:FETC?").startswith("1;+1.6")
    desk.ask("INIT;:ABOR")
    assert desk.ask("FETC?") is None
    assert desk.error() == -230


def test_reset_restores_and_settings_answer():
    desk = Desk()
    desk.ask("INP:COUP AC;IMP 50;FILT ON;LEV 0.5 V;:FREQ:APER 3")
    assert desk.ask("INP:COUP?;IMP?;FILT?;LEV?;:TRIG:LEV?") == (
        "AC;+5.000000000E+01;1;+5.000000000E-01;+5.000000000E-01"
    )
    desk.ask("*RST")
    assert (
        desk.ask("INP:COUP?;FILT?;LEV:AUTO?;:FREQ:APER?") == "DC;0;1;+1.000000000E-01"
    )


def test_limits_can_be_asked():
    desk = Desk(CounterSpec(min_gate_s=1e-3, max_gate_s=10.0))
    assert desk.ask("FREQ:APER? MIN;APER? MAX") == "+1.000000000E-03;+1.000000000E+01"


# SCPI-1999 vol. 1, 7.2.1.4-5: 9.9E37 is infinity, 9.91E37 is not a number.
def test_no_signal_and_overload():
    desk = Desk()
    desk.ask("CONF:FREQ (@2)")
    assert float(desk.ask("READ?")) == 9.91e37
    low = Desk(CounterSpec(max_hz=1e6))
    assert float(low.ask("READ?")) == 9.9e37


@pytest.mark.parametrize("examples", [50, seldom(150)])
def test_no_bytes_whatever_crash_it(examples):
    @settings(max_examples=examples, deadline=None)
    @given(st.binary(max_size=80))
    def of(message):
        desk = Desk()
        desk.ask(message)
        assert desk.error() <= 0
        assert desk.ask("*IDN?").startswith("SIMULATED,")

    of()


WORDS = """*IDN? READ? INIT FETC? :SENS: FREQ: APER ? ; , " ' ( @ ) 1 1E-3 -5 MAX INP2:
COUP AC LEV 9E999 CONF MEAS : * # ABOR *OPC? SYST:ERR?"""
PIECES = st.sampled_from([*WORDS.split(), "\x00", "\xff", " "])


@pytest.mark.parametrize("examples", [50, seldom(150)])
def test_no_mixture_of_its_own_words_crashes_it(examples):
    @settings(max_examples=examples, deadline=None)
    @given(st.lists(PIECES, max_size=12))
    def of(pieces):
        desk = Desk()
        desk.ask("".join(pieces))
        desk.ask(" ".join(pieces))
        assert desk.ask("*CLS;*IDN?").startswith("SIMULATED,")

    of()


def test_ever_new_headers_do_not_fill_the_memory():
    desk = Desk()
    for k in range(2_000):
        desk.ask(f"A{k}?")
    # private: memory that must stay bounded
    assert len(desk.device._found) <= 501
