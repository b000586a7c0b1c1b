"""One counter, several spellings of its address: the second run is refused."""

import fcntl
import json
import os
import subprocess
import sys
import threading
from contextlib import ExitStack, contextmanager
from dataclasses import replace

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter
from gpib_bridge import Bridge
from gpib_bridge import counter as counter_behind
from other_keepers import HOLDER, waiting_program

from benchlog.clock import HostClock, host_sleep
from benchlog.driver_kit.endpoint import endpoint
from benchlog.driver_kit.instrument_locks import (
    instrument_name,
    lock_path,
    refuse_in_use,
)
from benchlog.errors import BusyError, UsageError
from benchlog.model import (
    Bench,
    Dialect,
    Identity,
    InstrumentSpec,
    PositionSpec,
    Purpose,
)
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.instruments.instrument_check import check_instrument
from benchlog.recorder.keeper import keep, opened_keeper
from benchlog.testing import Script, TcpPeer

COMMANDS = {"identify": "*IDN?", "read": "READ?"}
ASKED = Dialect(name="asked", talks="scpi", commands=COMMANDS)


@contextmanager
def counter(who):
    script = Script({"*IDN?": who}, value=("READ?", "+1.60000000E+07"))
    with TcpPeer(script) as peer:
        yield peer.address


@pytest.fixture
def plan_at(plan_for):
    def make(*addresses):
        plan = plan_for("scpi-counter", readings=3)
        options = {"gate_s": 0.02, "dialect": ASKED}
        names = [f"c{n}" for n in range(len(addresses))]
        specs = {
            name: InstrumentSpec(
                name=name, driver="scpi-counter", address=address, options=options
            )
            for name, address in zip(names, addresses, strict=True)
        }
        places = tuple(PositionSpec(name=n.upper(), frequency=n) for n in names)
        bench = Bench(name="b", instruments=specs, positions=places)
        return [replace(plan, bench=bench, position=one.name) for one in places]

    return make


@contextmanager
def in_use(plans, database, clock):
    with opened_keeper(plans, database, clock, tell=lambda told: None) as keeper:
        keeper.wait_for_all()
        yield


def test_another_spelling_is_refused_before_the_counter_is_touched(
    plan_at, database, clock
):
    with counter("ACORN,C1,4711,1.0") as address:
        other = address.replace("127.0.0.1", "localhost")
        assert other != address
        busy = pytest.raises(BusyError)
        with in_use(plan_at(address), database, clock), busy as caught:
            keep(plan_at(other), database, clock, tell=lambda told: None)
    said = str(caught.value)
    assert f"benchlog measure of C-0001 (process {os.getpid()})" in said
    assert other in said and f"under {address}" in said


def test_the_same_serial_number_at_another_port_is_the_same_counter(
    plan_at, database, clock
):
    with counter("ACORN,C1,4711,1.0") as one, counter("ACORN,C1,4711,1.0") as other:
        busy = pytest.raises(BusyError, match=r"ACORN,C1,4711,1\.0.*is in use by")
        with in_use(plan_at(one), database, clock), busy:
            keep(plan_at(other), database, clock, tell=lambda told: None)
        keep(plan_at(other), database, clock, tell=lambda told: None)


@pytest.mark.parametrize("serial", ["", "0", "000000", "other"])
def test_counters_that_may_be_two_are_both_used(plan_at, database, clock, serial):
    first = "4711" if serial == "other" else serial
    with (
        counter(f"ACORN,C1,{first},1.0") as one,
        counter(f"ACORN,C1,{serial},1.0") as other,
        in_use(plan_at(one), database, clock),
    ):
        assert keep(plan_at(other), database, clock, tell=lambda told: None)


def test_two_positions_of_a_bench_are_two_counters(plan_at, database, clock):
    with (
        counter("ACORN,C1,4711,1.0") as one,
        counter("ACORN,C1,4711,1.0") as other,
        pytest.raises(UsageError, match="give both positions the same address"),
    ):
        keep(plan_at(one, other), database, clock, tell=lambda told: None)


def held_elsewhere():
    return waiting_program(HOLDER, "benchlog soak of C-0007", "C1")


@pytest.mark.parametrize("purpose", [Purpose.MEASURE, Purpose.SOAK])
def test_nothing_is_set_on_a_counter_that_another_program_has_under_another_address(
    plan_at, database, clock, purpose
):
    """Before, the second run was refused once its gate was set, and the first went on.

    All its readings from then on had a gate that was not the counter's. Later it was
    refused before, but `ABORt` had cut the reading that was under way.
    """
    more = {"configure": "CONF:FREQ", "abort": "ABORt", "stream_end": "INIT:CONT OFF"}
    dialect = replace(ASKED, commands=COMMANDS | more)
    script = Script({"*IDN?": "ACORN,C1,4711,1.0"}, value=("READ?", "+1.6E+07"))
    with TcpPeer(script) as peer, held_elsewhere():
        (plan,) = plan_at(peer.address)
        spec = plan.bench.instruments["c0"]
        spec = replace(spec, options={**spec.options, "dialect": dialect})
        bench = replace(plan.bench, instruments={"c0": spec})
        plan = replace(plan, bench=bench, purpose=purpose)
        said = r"ACORN,C1,4711,1\.0.*in use by benchlog soak of C-0007.*GPIB0::8"
        with pytest.raises(BusyError, match=said):
            keep([plan], database, clock, tell=lambda told: None)
        error = check_instrument(spec, clock).error
        assert error is not None and error.kind == "in-use"
        assert {line.strip() for line in script.heard} == {"*IDN?"}
    script.heard.clear()
    with TcpPeer(script) as peer:  # free again
        assert check_instrument(replace(spec, address=peer.address), clock).sample
        order = [line.strip() for line in script.heard]
        assert order.index("ABORt") < order.index("*IDN?")


@pytest.mark.parametrize("others", [False, True])
def test_a_counter_that_is_silent_is_asked_to_give_up_its_gate(clock, others):
    """While others measure it is left alone for its gate and 2 s; then nobody waits."""
    commands = {"identify": "*IDN?", "read": "READ?", "abort": "ABORt"}
    dialect = replace(ASKED, commands=commands)
    with ExitStack() as stack:
        if others:
            stack.enter_context(held_elsewhere())
        # in the midst of a gate: the answer to *IDN? comes once that was given up
        script = Script({"ABORt": "ACORN,C1,99,1.0"}, value=("READ?", "+1.6E+07"))
        peer = stack.enter_context(TcpPeer(script))
        options = {"gate_s": 0.02, "dialect": dialect}
        driver = ScpiCounter(peer.address, options, clock)
        driver.open()
        assert driver.identify().serial == "99"
        driver.close()
        while len(script.heard) < 2:
            host_sleep(0.01)
        first = [line.strip() for line in script.heard][:2]
    assert first == (["*IDN?", "ABORt"] if others else ["ABORt", "*IDN?"])


def test_behind_a_bridge_nothing_is_cleared_before_it_is_known_who_is_there(clock):
    bridge = Bridge()
    with TcpPeer(bridge) as peer, counter_behind(peer) as one, held_elsewhere():
        one.open()
        assert one.read().value
    assert "clr" not in bridge.set
    with TcpPeer(bridge) as peer, counter_behind(peer) as one:
        one.open()
    assert "clr" in bridge.set


def test_who_only_looks_whether_a_lock_is_held_refuses_nobody(clock):
    """What a killed keeper left in the file is looked at with a lock for a moment."""
    who, address = Identity("", "ACORN", "C1", "4711"), "A"
    with lock_path(instrument_name(who, address)).open("w") as file:
        file.write(json.dumps({"holder": "dead", "pid": 1, "address": "A"}))
        file.flush()
        fcntl.flock(file, fcntl.LOCK_SH)
        threading.Timer(0.0, lambda: fcntl.flock(file, fcntl.LOCK_UN)).start()
        with BenchLocks([], "another", clock) as locks:
            locks.hold_instrument(who, address)


ACORN = Identity("", "ACORN", "C1", "4711")
KILLED = json.dumps({"pid": 0, "holder": "a soak that was killed", "address": "x"})


@pytest.fixture
def lock_file():
    path = lock_path(instrument_name(ACORN, "one"))
    yield path
    path.unlink()


def test_a_driver_that_just_looks_keeps_no_keeper_away(lock_file):
    """It holds the lock itself for a moment, where the one before was killed."""
    lock_file.write_text(KILLED)
    with lock_file.open() as looking, BenchLocks([], "a keeper", HostClock()) as locks:
        fcntl.flock(looking, fcntl.LOCK_SH)
        timer = threading.Timer(0.1, fcntl.flock, (looking, fcntl.LOCK_UN))
        timer.start()
        locks.hold_instrument(ACORN, "one")
        timer.join()
        assert json.loads(lock_file.read_text())["pid"] == os.getpid()


def test_a_lock_that_its_keeper_has_just_got_is_not_that_of_the_one_before(lock_file):
    """A counter's second input was refused, as in use by a soak that was killed."""
    with subprocess.Popen(["true"]) as over:
        pass
    lock_file.write_text(json.dumps(json.loads(KILLED) | {"pid": over.pid}))
    ours = {"pid": os.getpid(), "holder": "a keeper", "address": "one"}
    with lock_file.open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        timer = threading.Timer(0.01, lock_file.write_text, (json.dumps(ours),))
        timer.start()
        refuse_in_use(ACORN, "one")
        timer.join()


def test_a_counter_is_looked_at_where_no_lock_can_be_made(monkeypatch, tmp_path):
    """A home that may not be written ended the driver with no error of ours."""
    (tmp_path / "file").touch()
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    refuse_in_use(ACORN, "one")
    with counter("ACORN,C1,4711,1.0") as address:
        options = {"gate_s": 0.02, "dialect": ASKED}
        spec = InstrumentSpec(
            name="c0", driver="scpi-counter", address=address, options=options
        )
        assert check_instrument(spec, HostClock()).sample


def test_spellings_of_one_place(tmp_path):
    device = tmp_path / "ttyACM0"
    device.touch()
    by_id = tmp_path / "usb-counter-if00"
    by_id.symlink_to(device)
    same = [
        (str(by_id), str(device), f"ASRL{device}::INSTR"),
        (
            "TCPIP::localhost::5025::SOCKET",
            "tcpip0::127.0.0.1::5025::socket",
            "socket://127.0.0.1:5025",
            "rfc2217://localhost:5025?ign_set_control",
        ),
        ("TCPIP::127.0.0.1::INSTR", "TCPIP0::localhost::inst0::INSTR"),
        ("GPIB::8::INSTR", "GPIB0::8"),
        ("USB::0x0001::2::SN7::INSTR", "USB0::1::0x2::SN7::0::INSTR"),
    ]
    names = [{endpoint(one) for one in spellings} for spellings in same]
    assert [len(one) for one in names] == [1] * len(same)
    assert len(set.union(*names)) == len(same)
    assert endpoint("GPIB1::8::INSTR") not in names[3]


def test_a_process_that_inherits_a_lock_holds_it_after_its_keeper():
    """A setter that still lets go keeps others away from it."""
    address = "TCPIP::127.0.0.1::9::SOCKET"
    with BenchLocks([address], "a keeper", HostClock()) as locks:
        held = locks.descriptor(address)
        assert locks.descriptor("TCPIP::127.0.0.1::10::SOCKET") is None
        child = subprocess.Popen(
            [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, pass_fds=(held,)
        )
    with pytest.raises(BusyError):
        BenchLocks([address], "another", HostClock())
    child.communicate(b"\n")
    with BenchLocks([address], "another", HostClock()):
        pass
