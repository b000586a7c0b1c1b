"""A setter in use under another kind of address: no second keeper gives it an order.

Before, addresses alone were compared: a second keeper set what a first one had set, and
let go of it at its end.
"""

import os
import pickle
import signal
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace

import pytest
from other_keepers import HOLDER, waiting_program
from setter_reports import heard

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.errors import BusyError
from benchlog.model import Bench, Dialect, Identity, InstrumentSpec, PositionSpec
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.keeper import keep
from benchlog.recorder.rack import setter_handle
from benchlog.recorder.rack.setter_handle import SetterHandle
from benchlog.recorder.rack.setter_job import SetterJob
from benchlog.testing import Script, TcpPeer

COMMANDS = {"identify": "*IDN?", "read": "READ?"}
ASKED = Dialect(name="asked", talks="scpi", commands=COMMANDS)
CLOSED = "ROUTe:CLOSe:STATe?"


# --- a scanner of a bench


class Scanner:
    """A scanner of one instrument; `peers` are the addresses that lead to it."""

    def __init__(self):
        self.scripts, self.channel = [], ""

    @contextmanager
    def at_an_address(self):
        told = {"*IDN?": "ACORN,SCAN,4711,1.0", "SYSTem:ERRor?": '0,"No error"'}
        script = Script(told, value=(CLOSED, self.closed))
        self.scripts.append(script)
        with TcpPeer(script) as peer:
            yield peer.address

    def closed(self):
        for script in self.scripts:
            for line in script.heard:
                if "ROUTe:OPEN:ALL" in line:
                    self.channel = ""
                elif "ROUTe:CLOSe (@" in line:
                    self.channel = line.partition("@")[2].strip(") \r\n")
        return f"(@{self.channel})"


def orders_in(script):
    return [line for line in script.heard if "ROUTe:" in line and "?" not in line]


@pytest.fixture
def plan_through(plan_for):
    def make(counter, scanner):
        plan = plan_for("scpi-counter", readings=3)
        specs = {
            "c0": InstrumentSpec(
                name="c0",
                driver="scpi-counter",
                address=counter,
                options={"gate_s": 0.02, "dialect": ASKED},
                quantity="frequency",
            ),
            "s0": InstrumentSpec(
                name="s0",
                driver="scpi-scanner",
                address=scanner,
                options={"dialect": load_dialect("scpi-scanner")},
                quantity="channel",
                turn_settle_s=0.0,
            ),
        }
        place = PositionSpec(name="P01", frequency="c0", through="s0", channel=101)
        bench = Bench(name="b", instruments=specs, positions=(place,))
        return replace(plan, bench=bench, position="P01")

    return make


KEEPER = """
import pickle, sys
from pathlib import Path
from benchlog.clock import HostClock
from benchlog.recorder.keeper import opened_keeper
plan, database = pickle.loads(bytes.fromhex(sys.argv[1]))
with opened_keeper([plan], database, HostClock(), tell=lambda told: None) as keeper:
    keeper.wait_for_all()
    print("held", flush=True)
    input()
"""


@contextmanager
def kept_elsewhere(plan, database):
    packed = pickle.dumps((plan, database)).hex()
    # its last word tells the nursery that it starts processes of ours
    with waiting_program(KEEPER, packed, "measure") as keeper:
        yield keeper


def test_a_scanner_that_another_keeper_has_is_refused_before_any_order(
    plan_through, database, clock
):
    scanner = Scanner()
    with ExitStack() as stack:
        counters = []
        for serial in ("1", "2"):
            script = Script({"*IDN?": f"ACORN,C1,{serial},1"}, value=("READ?", "1.6E7"))
            counters.append(stack.enter_context(TcpPeer(script)).address)
        places = [stack.enter_context(scanner.at_an_address()) for _ in range(2)]
        first, second = (
            plan_through(*both) for both in zip(counters, places, strict=True)
        )
        with kept_elsewhere(first, database) as keeper:
            said = r"'s0': .*ACORN,SCAN,4711.*in use by benchlog measure of C-0001"
            with pytest.raises(BusyError, match=said):
                keep([second], database, clock, tell=lambda told: None)
            assert keeper.poll() is None, "who has it has ended"
            heard = [one.strip() for one in scanner.scripts[1].heard]
            assert set(heard) == {"*IDN?"}, (heard, scanner.scripts[0].heard)
        assert orders_in(scanner.scripts[0])  # let go of
        assert keep([second], database, clock, tell=lambda told: None)  # free again
        assert orders_in(scanner.scripts[1])


# --- a stranger's setter, whose driver looks at no lock itself


@pytest.fixture
def odd_job(tmp_path):
    (tmp_path / "how-serial").write_text("4711")
    options = {"folder": str(tmp_path), "low": 0.0, "high": 5.0}
    spec = InstrumentSpec(
        name="supply", driver="stranger-odd-setter", address="A", options=options
    )
    return SetterJob(spec=spec, bounds=(0.0, 5.0), dead_man_s=5.0)


def test_a_setter_in_use_is_neither_set_nor_let_go_of(odd_job, tmp_path):
    with BenchLocks(["A"], "a keeper", HostClock()) as locks:
        handle = SetterHandle(odd_job, locks)
        with waiting_program(HOLDER, "benchlog qualify of 3 devices", "ODD"):
            handle.start()
            said = heard(handle, lambda one: one.kind == "fault").text
            assert "'ACORN'" not in said
            assert "in use by benchlog qualify of 3 devices" in said
            assert "under GPIB0::8::INSTR" in said
            with pytest.raises(BusyError, match=r"setter 'supply'.*in use"):
                handle.require_right()
            assert not handle.opened
        heard(handle, lambda one: one.kind == "opened")  # it asks again, and is free
        handle.require_right()
        assert not (tmp_path / "released").exists()
        assert handle.finish() == ""
    assert (tmp_path / "released").exists()


def taken_by(identity, address):
    with BenchLocks([], "another", HostClock()) as locks:
        locks.hold_setter(identity, address)


WHO = Identity("an odd setter", "ACORN", "ODD", "4711")


@pytest.mark.parametrize("anew", [False, True])
def test_its_process_holds_it_until_it_was_let_go_of(
    odd_job, tmp_path, anew, monkeypatch
):
    """Also where the process is begun anew, and after its keeper."""
    monkeypatch.setattr(setter_handle, "_FAREWELL_S", 2.0)
    locks = BenchLocks(["A"], "a keeper", HostClock())
    handle = SetterHandle(odd_job, locks)
    handle.start()
    heard(handle, lambda one: one.kind == "opened")
    if anew:  # killed, and started by its keeper
        os.kill(handle.pid, signal.SIGKILL)
        heard(handle, lambda one: one.kind == "ended")
        heard(handle, lambda one: one.kind == "opened")
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    (tmp_path / "how-release").write_text("fails")
    left = handle.pid
    assert "goes on trying" in handle.finish()
    locks.release()  # the keeper is gone
    with pytest.raises(BusyError, match=r"an odd setter .*in use by a keeper"):
        taken_by(WHO, "B")
    with pytest.raises(BusyError):
        BenchLocks(["A"], "another", HostClock())
    (tmp_path / "how-release").unlink()
    limit = host_deadline(30.0)
    while True:
        with suppress(BusyError):
            taken_by(WHO, "B")
            break
        assert not limit.passed
        host_sleep(0.05)
    assert (tmp_path / "released").read_text().split()[-1] == str(left)


def test_setters_of_one_bench_may_be_cards_of_one_instrument():
    with BenchLocks([], "a keeper", HostClock()) as locks:
        locks.hold_instrument(WHO, "A")
        one, other = locks.hold_setter(WHO, "B"), locks.hold_setter(WHO, "C")
        assert one is not None and one == other
        assert locks.hold_setter(Identity("no serial number"), "D") is None
