"""What a person did last in a lot is undone, also after the keeper was killed."""

import os
import signal
from collections.abc import Iterator
from contextlib import closing

import pytest
from lot_shop import Shop
from lot_table import Table, set_up
from waiting import wait_for

from benchlog.model import Event, EventKind, LotRun
from benchlog.recorder.lot.lot_inspection import launch_lot
from benchlog.recorder.lot.undo import newest_act


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


def test_deeds_are_undone_one_after_the_other(table: Table) -> None:
    table.measure("a", 2.0)
    table.measure("b", 3.0)
    assert table.ask("aside").data["device"] == "b"
    assert table.ask("damaged", "a leg is bent").data["device"] == "a"
    assert [(r.damaged, r.counts) for r in table.runs()] == [
        (True, True),
        (False, False),
    ]
    said = [table.ask("undo").data["said"] for _ in range(2)]
    assert said == [
        "undone: a is not damaged, its verdict counts",
        "undone: b counts again",
    ]
    assert [(r.damaged, r.counts) for r in table.runs()] == [
        (False, True),
        (False, True),
    ]
    nothing = table.ask("undo")
    assert not nothing.ok and nothing.error == "there is nothing to undo"
    # nothing is deleted: what was done and undone is in the record
    assert table.shop.kinds(2).count("set-aside") == 1
    assert table.shop.kinds(2).count("restored") == 1
    assert table.ask("aside").ok and table.done() == 1
    assert table.ask("undo").ok and table.done() == 2
    # measured again is undone, too, and the run before counts
    before = table.runs()[1]
    assert table.ask("again").ok
    wait_for(lambda: table.done() == 3)
    assert table.runs()[1].readings == before.readings
    assert "again" in table.shop.kinds(3)
    assert table.ask("undo").ok
    assert [r.run for r in table.runs() if r.counts] == [1, 2]
    assert not table.ask("undo").ok, "an undoing is no deed"


@pytest.mark.campaign  # every suite: at the end of the test above
def test_measured_again_is_undone_and_the_run_before_counts(table: Table) -> None:
    first = table.measure("a", 2.0)
    assert table.ask("again").ok
    wait_for(lambda: table.done() == 2)
    assert table.ask("undo").ok
    assert [r.run for r in table.runs() if r.counts] == [first.run]
    assert table.runs()[0].readings == first.readings
    assert "again" in table.shop.kinds(2)
    assert not table.ask("undo").ok, "an undoing is no deed"


def test_a_run_that_was_stopped_does_not_come_back(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        shop.bench.remove("A")
        assert table.ask("device", "a").ok
        wait_for(lambda: table.seen("A") is False)
        shop.bench.insert("A", 29.9)  # too near the limit: it goes on for long
        wait_for(lambda: bool(table.runs()))
        assert table.ask("aside").ok
        refused = table.ask("undo")
        assert (
            not refused.ok and "stopped before its verdict was clear" in refused.error
        )
        assert table.done() == 0


@pytest.mark.campaign  # every suite: at the end of `test_what_is_asked_survives_a_kill`
def test_undo_survives_a_kill(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        table.measure("a", 2.0)
        assert table.ask("aside").ok
        os.kill(table.launched.process.pid, signal.SIGKILL)
        table.launched.process.wait(10)
        with closing(launch_lot(table.task, shop.db)) as launched:
            again = Table(shop, table.task, launched)
            assert again.done() == 0
            assert again.ask("undo").ok and again.done() == 1
            os.kill(launched.process.pid, signal.SIGKILL)
            launched.process.wait(10)
        assert table.done() == 1


def test_what_the_keeper_set_aside_is_no_deed_of_a_person() -> None:
    run = LotRun(
        run=1,
        device="a",
        position="A",
        started_utc_ns=0,
        ended_how="device changed",
        word="pass",
        set_aside=True,
    )
    jumped = [(7, Event(0, 0, EventKind.SET_ASIDE, "the frequency jumped"))]
    assert newest_act([(run, jumped)]) is None
