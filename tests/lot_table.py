"""A lot's keeper that waits for devices, as a person at its screen has it."""

from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest
from lot_shop import PART, SCALE, Shop
from waiting import wait_for

from benchlog import control
from benchlog.catalogue import load_part
from benchlog.cli.tasks.lot_opening import Wish, task_for
from benchlog.clock import Clock
from benchlog.control import Answer, Request
from benchlog.errors import StoreError
from benchlog.model import (
    Bench,
    InstrumentSpec,
    LotRun,
    PositionSpec,
    Purpose,
    RunPlan,
)
from benchlog.recorder.lot.device_site import DeviceSite
from benchlog.recorder.lot.lot_book import Task
from benchlog.recorder.lot.lot_inspection import LaunchedLot, launch_lot


def a_site(clock: Clock) -> DeviceSite:
    """Return a place for devices, without a bench behind it."""
    position = PositionSpec(name="A", frequency="counter")
    counter = InstrumentSpec(
        name="counter", driver="scpi-counter", address="TCPIP::h::1::SOCKET"
    )
    bench = Bench(name="b", instruments={"counter": counter}, positions=(position,))
    plan = RunPlan(
        purpose=Purpose.INSPECT, device="", part=load_part(PART), position="A",
        bench=bench,
    )  # fmt: skip
    return DeviceSite(template=plan, clock=clock)


class Table:
    """A shop with a lot that waits for devices."""

    def __init__(self, shop: Shop, task: Task, launched: LaunchedLot) -> None:
        self.shop, self.task, self.launched = shop, task, launched

    def ask(self, verb: str, text: str = "", position: str = "") -> Answer:
        request = Request(verb, None, text, position=position)
        file = control.file_of(self.shop.db)
        return control.ask(self.launched.control, request, file)

    def runs(self) -> list[LotRun]:
        return self.runs_of(self.shop)

    @staticmethod
    def runs_of(shop: Shop) -> list[LotRun]:
        try:
            return shop.runs()
        except StoreError:
            return []

    def seen(self, position: str) -> bool | None:
        """Whether the keeper sees a device at a position."""
        places = self.ask("status").data["lot"]["places"]  # type: ignore[index]
        return next(p["seen"] for p in places if p["position"] == position)

    def let_gates_pass(self, count: int = 6) -> None:
        """Let the counter give `count` more values, and the keeper see each of them."""
        before = len(self.shop.bench.served("counter"))
        wait_for(lambda: len(self.shop.bench.served("counter")) >= before + count)
        for _ in range(2):  # an answer comes from the loop that took the values in
            assert self.ask("status").ok

    def done(self) -> int:
        return sum(run.counts for run in self.runs())

    def measure(self, device: str, offset_ppm: float) -> LotRun:
        before = len(self.runs())
        self.shop.bench.remove("A")
        assert self.ask("device", device).ok
        wait_for(lambda: self.seen("A") is False)
        self.shop.bench.insert("A", offset_ppm)
        wait_for(lambda: len(self.runs()) > before and self.runs()[-1].word is not None)
        return self.runs()[-1]


@contextmanager
def set_up(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, most: int, least: int = 5
) -> Iterator[Table]:
    for name, value in shop.environment.items():
        monkeypatch.setenv(name, value)
    assert float(shop.environment["BENCHLOG_TIME_SCALE"]) >= SCALE
    wish = Wish(
        lot="L1", bench=str(shop.folder / "bench.toml"), part=PART, lot_size=40,
        sample=4, accept=1,
        min_readings=least, max_readings=most,
    )  # fmt: skip
    given = task_for(wish, shop.db)
    task = Task(
        lot=given.lot,
        plan=given.plan,
        templates=given.templates,
        rule=given.rule,
        watched=True,
    )
    with closing(launch_lot(task, shop.db)) as launched:
        yield Table(shop, task, launched)
