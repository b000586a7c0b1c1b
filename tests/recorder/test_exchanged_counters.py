"""Counters whose plugs are exchanged behind a gateway: the run waits for its own."""

from contextlib import closing

import numpy as np

from benchlog.catalogue import load_dialect
from benchlog.clock import host_deadline, host_sleep
from benchlog.driver_kit.scpi_driver import WHO_S
from benchlog.model import EventKind
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader
from benchlog.testing import TcpPeer
from benchlog.testing.setter_scripts import SettingScript, SettingWords

GATE_S = 0.05
BEFORE, READINGS = 20, 140
OWN, OTHERS = "SIMULATED,Counter,7,1.0", "SIMULATED,Counter,8,1.0"


class Gateway:
    """One address; another counter is plugged in behind it for a while, by mistake."""

    def __init__(self) -> None:
        self.given = 0
        self.until = None
        words = SettingWords(
            order="SENSe:FREQuency:APERture (.*)",
            ask="READ?",
            tell=self._value,
            answers={
                "*IDN?": lambda _: OTHERS if self.exchanged else OWN,
                "SYSTem:ERRor?": '0,"No error"',
                "SENSe:FREQuency:APERture?": str(GATE_S),
            },
        )
        self.script = SettingScript(words)

    @property
    def exchanged(self) -> bool:
        return self.until is not None and not self.until.passed

    def _value(self, _: object) -> str:
        host_sleep(GATE_S)
        self.given += 1
        if self.given == BEFORE:
            self.until = host_deadline(WHO_S + 2.0)
        return "+1.60000800E+07" if self.exchanged else "+1.60000000E+07"


def events(database, run_id=1):
    with closing(Reader.open(database)) as reader:
        return [event for _, event in reader.events(run_id)]


def test_an_exchange_is_noticed_and_told_and_the_run_waits(plan_for, database, clock):
    """Before, the other counter's values were the run's for as long as it was there."""
    behind = Gateway()
    with TcpPeer(behind.script) as peer:
        plan = plan_for(
            "scpi-counter", readings=READINGS, max_s=60.0, address=peer.address
        )
        plan.bench.instruments["counter"].options.clear()
        plan.bench.instruments["counter"].options.update(
            dialect=load_dialect("scpi-1999"), gate_s=GATE_S
        )
        keep([plan], database, clock, tell=lambda _: None)
    told = [event for event in events(database) if event.kind == "wrong-instrument"]
    assert f"{OTHERS!r} answers at" in told[0].text
    assert "may be of either" in told[0].text
    assert EventKind.BACK in [event.kind for event in events(database)]
    with closing(Reader.open(database)) as reader:
        columns = reader.columns_after(1)
    foreign = np.flatnonzero(columns.frequency_hz > 16e6)
    taken_s = np.ptp(columns.utc_ns[foreign]) / 1e9
    assert taken_s <= WHO_S + 2 * GATE_S
    assert len(columns) == READINGS
