"""Who answers is asked again while a connection holds: plugs behind a gateway move.

Sources: common practice; no source is known for how often one is to ask.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from benchlog_drivers.scpi_counter import ScpiCounter
from benchlog_drivers.scpi_setters import ScpiSupply

from benchlog.catalogue import load_dialect
from benchlog.driver_kit import scpi_driver
from benchlog.errors import OutOfStepError, RefusedError, WrongInstrumentError
from benchlog.testing import HurriedClock, TcpPeer
from benchlog.testing.setter_scripts import SettingScript, SettingWords

OTHER = "SIMULATED,Instrument,8,1.0"


class Plug:
    """Whose plug is in, and what has come over it."""

    def __init__(self, order: str, ask: str) -> None:
        self.who = "SIMULATED,Instrument,7,1.0"
        self.gate = "0.02"
        words = SettingWords(
            order=order,
            ask=ask,
            tell=lambda _: "+1.6E+00",
            answers={
                "*IDN?": lambda _: self.who,
                "SYSTem:ERRor?": '0,"No error"',
                "SENSe:FREQuency:APERture?": lambda _: self.gate,
                "OUTPut?": lambda state: str(int(state.on)),
            },
            deeds={
                "OUTPut ON": lambda state: setattr(state, "on", True),
                "OUTPut OFF": lambda state: setattr(state, "on", False),
            },
        )
        self.script = SettingScript(words)

    def asked(self) -> int:
        return self.script.heard.count("*IDN?")


@pytest.fixture
def plug() -> Plug:
    return Plug("SENSe:FREQuency:APERture (.*)", "READ?")


@pytest.fixture
def counter(plug: Plug) -> Iterator[ScpiCounter]:
    with TcpPeer(plug.script) as peer:
        given = {"dialect": load_dialect("scpi-1999"), "gate_s": 0.02}
        made = ScpiCounter(peer.address, given, HurriedClock())
        made.open()
        yield made
        made.close()


@contextmanager
def a_supply(plug: Plug, **more: object) -> Iterator[ScpiSupply]:
    with TcpPeer(plug.script) as peer:
        dialect = load_dialect("scpi-supply")
        given = {"dialect": dialect, "low": 0.0, "high": 5.0, **more}
        made = ScpiSupply(peer.address, given, HurriedClock())
        made.open()
        yield made
        made.close()


def each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scpi_driver, "WHO_S", 0.0)
    monkeypatch.setattr(scpi_driver, "_SHARE", 1e9)


def test_another_counter_is_noticed_before_its_next_value(
    plug: Plug, counter: ScpiCounter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, a reading was taken of whoever answered."""
    each_time(monkeypatch)
    counter.open()
    counter.read()
    plug.who = OTHER
    with pytest.raises(WrongInstrumentError, match="may be of either") as found:
        counter.read()
    assert found.value.raw == OTHER.encode()
    assert plug.script.heard[-1] == "*IDN?"


@pytest.mark.parametrize("gate", ["2.0", "0.01", "0.0201"])
def test_a_gate_that_somebody_else_has_changed_is_noticed(
    plug: Plug, counter: ScpiCounter, monkeypatch: pytest.MonkeyPatch, gate: str
) -> None:
    """Before, jitter of gates of 2 s was told, and passed, as that of 0.02 s."""
    each_time(monkeypatch)
    counter.open()
    counter.read()
    plug.gate = gate
    with pytest.raises(RefusedError, match=r"by now, and '0\.02' was") as found:
        counter.read()
    assert found.value.raw.strip() == gate.encode()
    assert plug.script.heard[-1] == "SENSe:FREQuency:APERture?"
    plug.gate = "0.02"
    counter.open()  # as the process does after any error: it is set anew
    assert counter.read().gate_s == 0.02


def test_a_gate_that_is_told_with_other_digits_is_the_same(
    plug: Plug, counter: ScpiCounter, monkeypatch: pytest.MonkeyPatch
) -> None:
    each_time(monkeypatch)
    counter.open()
    plug.gate = "+2.0000000E-02"
    assert counter.read().gate_s == 0.02


def test_it_is_asked_seldom(plug: Plug, counter: ScpiCounter) -> None:
    before = plug.asked()
    for _ in range(5):
        counter.read()
    assert plug.asked() == before


def test_what_is_no_identification_is_out_of_step(
    plug: Plug, counter: ScpiCounter, monkeypatch: pytest.MonkeyPatch
) -> None:
    each_time(monkeypatch)
    counter.open()
    plug.who = "+1.6E+07"
    with pytest.raises(OutOfStepError, match="in the place of its identification"):
        counter.read()
    with pytest.raises(OutOfStepError, match="owes an answer still"):
        counter.read()


def test_one_that_takes_long_for_it_is_asked_more_seldom(
    plug: Plug, counter: ScpiCounter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asking takes no more than a hundredth of the time, whatever the instrument."""
    monkeypatch.setattr(scpi_driver, "WHO_S", 0.0)
    monkeypatch.setattr(scpi_driver, "_SHARE", 1e-6)
    counter.open()
    counter.read()
    before = plug.asked()
    counter.read()
    assert plug.asked() == before


def test_another_supply_is_given_no_orders_but_can_be_let_go_of() -> None:
    """Before, it was set to what the devices of this rack are to have."""
    plug = Plug("SOURce:VOLTage (.*)", "SOURce:VOLTage?")
    with a_supply(plug, safe=0.5) as supply:
        supply.set(3.0)
        supply.switch(True)
        plug.who = OTHER
        for order in (lambda: supply.set(4.0), lambda: supply.switch(True)):
            with pytest.raises(WrongInstrumentError, match="is given no orders"):
                order()
        assert plug.script.ordered == [3.0]
        supply.release()  # asks nobody: what is on is not to stay on
        assert plug.script.ordered == [3.0, 0.5] and not plug.script.state.on
