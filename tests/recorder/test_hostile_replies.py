"""Thousands of malformed replies over a real socket: none becomes a wrong number.

Each reply goes the whole way: socket, driver, the recorder's acceptance, the database.
What stands in the database afterwards is held against a recogniser of our own, written
from the definition of NRf in IEEE 488.2 (7.7.2) and of the special values in SCPI-1999
vol. 1 (7.2.1.4, 7.2.1.5), both from memory.
"""

import re
from contextlib import closing

from benchlog_drivers.scpi_counter import ScpiCounter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.clock import HostClock
from benchlog.errors import InstrumentError
from benchlog.model import (
    Dialect,
    Flag,
    Identity,
    Reading,
    Timebase,
)
from benchlog.recorder.run.acceptance import accept
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.testing import Script, TcpPeer

NRF = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
LEAST_HZ, MOST_HZ = 1e-12, 1e30  # our rule: no figure can be made beyond
DIALECT = Dialect(
    name="plain", talks="scpi", commands={"identify": "*IDN?", "read": "READ?"}
)

numbers = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(lambda v: f"{v!r}".encode()),
    st.floats(1, 1e10).map(lambda v: f"{v:+.9E}".encode()),
    st.integers(-(10**12), 10**12).map(lambda v: str(v).encode()),
)
odd = st.sampled_from(
    [b"9.91E37", b"9.9E37", b"-9.9E37", b"+9.9E+37", b"1e400", b"0x1F", b"1_000",
     b"1,5", b"16 000 000", b"NAN", b"inf", b"", b"\xd9\xa1\xd9\xa2", b"1.6E7Hz",
     b"1.6E7;1.6E7", b"--5", b"5e", b".", b"e7", b"\x00", b"16000000\x00"]
)  # fmt: skip
mutated = st.builds(
    lambda good, at, byte: (
        good[: at % (len(good) + 1)] + byte + good[at % (len(good) + 1) :]
    ),
    numbers,
    st.integers(0, 30),
    st.binary(min_size=1, max_size=2),
)
replies = st.one_of(numbers, odd, mutated, st.binary(max_size=40)).map(
    lambda reply: reply.replace(b"\n", b"?")
)


class Hostile(Script):
    """Answers READ? with whatever it is given, each ended properly."""

    def __init__(self):
        super().__init__({"*IDN?": "MAKER,MODEL,7,1"}, ("READ?", ""))
        self.reply = b""

    def _value_steps(self, good):
        return (self.reply + good,)


def expected(reply):
    """Return the frequency that a reply says, None when it says none."""
    text = reply.strip(b" \t\r")
    if not NRF.fullmatch(text):
        return None
    value = float(text)
    return value if LEAST_HZ <= value <= MOST_HZ else None


def taken(driver, previous):
    """Read once; return the Reading or None, opening anew after any error."""
    try:
        result = accept(driver.read(), previous, Flag.NONE, None)
    except InstrumentError as error:
        assert str(error).strip()
        driver.close()
        driver.open()
        driver.identify()
        return None
    return result if isinstance(result, Reading) else None


@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.lists(replies, min_size=80, max_size=160))
def test_no_wrong_number_reaches_the_database(tmp_path, plan_for, many):
    script, peer_plan = Hostile(), plan_for("stranger-steady")
    path = tmp_path / "hostile.db"
    with (
        closing(TcpPeerContext(script)) as peer,
        Writer.open(path, HostClock()) as store,
    ):
        run = store.begin_run(
            peer_plan,
            {"counter": Identity("x")},
            Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.5),
        )
        segment = store.begin_segment(run)
        driver = ScpiCounter(peer.address, {"dialect": DIALECT}, HostClock())
        driver.open()
        driver.identify()
        previous, kept = None, []
        for reply in many:
            script.reply = reply
            reading = taken(driver, previous)
            wanted = expected(reply)
            assert (reading is None) == (wanted is None), reply
            if reading is not None:
                previous = reading.mono_ns
                kept.append(wanted)
                store.commit([(run, segment, reading)])
        driver.close()
    with closing(Reader.open(path)) as reader:
        assert list(reader.columns_after(run).frequency_hz) == kept


class TcpPeerContext(TcpPeer):
    """A peer that closes."""

    close = TcpPeer.stop


def test_the_recogniser_knows_what_is_a_number():
    good = {b"1.6E7": 1.6e7, b"+16000000.5": 16000000.5, b" .5e3\r": 500.0, b"7.": 7.0}
    assert {reply: expected(reply) for reply in good} == good
    for bad in (b"9.91E37", b"-1", b"0", b"1e400", b"nan", b"1,5", b"1_0", b"5e", b"."):
        assert expected(bad) is None
