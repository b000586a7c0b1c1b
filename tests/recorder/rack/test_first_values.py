"""A counter that answers one question late behind a scanner: no value under a wrong id.

Before, the first value of each turn was that of the device before, and with turns of
one gate all of them were; the scanner told, truly, that the right channel was closed.
"""

import os
import re
import socket
import socketserver
import threading

import numpy as np
import pytest
from scanned_shop import NEAR_PPM, SCALE, figures, scanned_shop
from seeds import seeded_generator

from benchlog.model import EventKind, Sample
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.rack.confirmed_values import ConfirmedValues
from benchlog.recorder.rack.first_values import OF_BEFORE, FirstValues
from benchlog.recorder.rack.setter_handle import SetterReport

OFFSETS = {101: 0.2, 102: 0.4, 103: -0.3}
NOISE = 0.002
DARK = Failed(kind="no-signal", message="", address="", command="", raw=b"9.91E+37")


class Turns:
    """Turns of one counter; `asks` says what it answers at a channel."""

    def __init__(self, asks):
        self.asks, self.firsts = asks, FirstValues()

    def turn(self, channel, gates):
        """Return what is kept, and what is refused, of a turn."""
        values = ConfirmedValues(
            channel,
            lambda: 1,
            lambda _: SetterReport(kind="done", read_back=channel),
            firsts=self.firsts,
            gates=gates,
        )
        kept = []
        for _ in range(gates + 1):
            if len(kept) >= gates:
                break
            value = self.asks(channel)
            values.add(
                DARK if value is None else Got(Sample(value, "Hz", 0, 0, 1.0, b""))
            )
            kept += [*values.confirmed(), *values.confirmed()]
            if len(kept) < gates and not values.wants_another:
                continue
        kept += values.last()
        return kept, [text for text, _ in values.refused()]


def counter(seed, *, late, offsets=OFFSETS):
    """Return a counter: what it tells of a channel, at once or one question late."""
    scatter, waits = seeded_generator(seed), []

    def ask(channel):
        offset = offsets[channel]
        value = None if offset is None else offset + NOISE * scatter.standard_normal()
        waits.append(value)
        return waits.pop(0) if len(waits) > late else 7.0

    return ask


def wrong(kept, channel):
    far = [one for one in kept if isinstance(one, Got)]
    return sum(abs(one.sample.value - OFFSETS[channel]) > 10 * NOISE for one in far)


@pytest.mark.parametrize("gates", [1, 2, 4, 10])
@pytest.mark.parametrize("seed", range(5))
def test_a_late_counter_is_found_and_its_first_values_are_nobodys(gates, seed):
    turns = Turns(counter(seed, late=1))
    for n in range(60):
        channel = 101 + n % 3
        kept, refused = turns.turn(channel, gates)
        if n >= 9:  # three rounds until it is known how far devices scatter
            assert wrong(kept, channel) == 0
            assert refused == [OF_BEFORE]
            assert len(kept) == gates
    assert "one question late" in turns.firsts.news()
    assert turns.firsts.news() == ""


@pytest.mark.parametrize("gates", [1, 2, 4, 10])
@pytest.mark.parametrize("offsets", [OFFSETS, dict.fromkeys(OFFSETS, 0.1)])
@pytest.mark.parametrize(
    "seed", [0, 1, *(pytest.param(n, marks=pytest.mark.campaign) for n in (2, 3, 4))]
)
def test_one_that_keeps_in_step_is_never_called_late(gates, offsets, seed):
    turns = Turns(counter(seed, late=0, offsets=offsets))
    for n in range(300):
        kept, refused = turns.turn(101 + n % 3, gates)
        assert not refused
        assert len(kept) in (gates, gates + (gates == 1))
        if n >= 30:
            assert len(kept) == gates
    assert turns.firsts.news() == ""


def test_a_device_alone_takes_one_gate_more_and_no_other():
    turns = Turns(counter(1, late=0))
    assert [len(turns.turn(101, 1)[0]) for _ in range(5)] == [2, 1, 1, 1, 1]


def test_a_counter_that_holds_its_last_value_over_a_turn_is_found_too():
    ask, last = counter(1, late=0), [0, 0.0]

    def holds(channel):
        value = last[1] if last[0] not in (0, channel) else ask(channel)
        last[:] = channel, ask(channel) if last[0] not in (0, channel) else value
        return value

    turns = Turns(holds)
    for n in range(30):
        kept, refused = turns.turn(101 + n % 3, 4)
        assert n < 9 or (wrong(kept, 101 + n % 3), refused) == (0, [OF_BEFORE])


def test_a_device_without_a_signal_gets_no_value_of_the_one_before():
    turns = Turns(counter(1, late=1, offsets={**OFFSETS, 103: OFFSETS[103]}))
    for n in range(12):
        turns.turn(101 + n % 3, 4)
    dead = counter(2, late=1, offsets={**OFFSETS, 103: None})
    turns.asks = dead
    for n in range(12):
        kept, _ = turns.turn(101 + n % 3, 4)
        values = [one for one in kept if isinstance(one, Got)]
        assert bool(values) is (n % 3 != 2)


# --- over real sockets ----------------------------------------------------------------


class LateRelay(socketserver.ThreadingTCPServer):
    """Before a counter: what it answers to READ? is passed on one question late."""

    daemon_threads = True

    def __init__(self, port):
        self.to, self.waits = port, []
        super().__init__(("127.0.0.1", 0), LateTalk)


class LateTalk(socketserver.StreamRequestHandler):
    def handle(self):
        with socket.create_connection(("127.0.0.1", self.server.to)) as far:
            answers = far.makefile("rb")
            for line in self.rfile:
                far.sendall(line)
                if b"?" not in line:
                    continue
                answer, waits = answers.readline(), self.server.waits
                if b"READ?" in line:
                    waits.append(answer)
                    answer = waits.pop(0) if len(waits) > 1 else answer
                self.wfile.write(answer)


@pytest.fixture
def late_shop(tmp_path):
    environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    with scanned_shop(tmp_path, environment, warm=False) as shop:
        address = shop.rack.addresses()["counter"]
        port = re.findall(r"::(\d+)::", address)[0]
        with LateRelay(int(port)) as relay:
            threading.Thread(target=relay.serve_forever, daemon=True).start()
            text = (shop.folder / "rack.toml").read_text()
            own = address.replace(port, str(relay.server_address[1]))
            (shop.folder / "rack.toml").write_text(text.replace(address, own))
            yield shop
            relay.shutdown()


def test_a_late_counter_behind_a_scanner_is_told(late_shop):
    """All that is kept once it was found is the device's own."""
    places = late_shop.placed("P01", "P02", "P03")
    quiet = ("--no-screen", "--json", "--db", "s.db")
    words = late_shop.words("measure", *places, "--readings", "20", *quiet)
    found = figures(late_shop.run(words))
    assert [one["readings"] for one in found] == [20, 20, 20]
    with late_shop.reader() as reader:
        for run in reader.all_runs():
            told = late_shop.events(run.id, EventKind.OUT_OF_TURN)
            assert any("one question late" in text for text in told)
            columns = reader.columns_after(run.id)
            spec = late_shop.rack.devices[100 + int(run.position[1:])].spec
            ppm = (columns.frequency_hz / run.nominal_hz - 1) * 1e6
            far = np.abs(ppm - spec.offset_ppm) > NEAR_PPM
            assert far.sum() <= 2  # of the turns before
            assert not far[16:].any()
            assert OF_BEFORE in late_shop.events(run.id, EventKind.REJECTED)
