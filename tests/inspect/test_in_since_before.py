"""A device that is still in when a lot is gone on with, its keeper killed or left."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace

import pytest
from lot_shop import Shop
from lot_table import Table, set_up
from waiting import wait_for

from benchlog.model import EventKind
from benchlog.recorder.lot.lot_inspection import launch_lot


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


@contextmanager
def gone_on_with(table: Table, prefix: str = "") -> Iterator[Table]:
    """Kill the keeper of a lot, and go on with the lot."""
    table.launched.process.kill()
    table.launched.process.wait()
    task = replace(table.task, prefix=prefix)
    with closing(launch_lot(task, table.shop.db)) as launched:
        again = Table(table.shop, task, launched)
        wait_for(lambda: again.seen("A") is not None)
        yield again


def test_it_gets_no_second_number(table: Table) -> None:
    """Before, one device was measured four times, and its lot of four accepted."""
    table.measure("K-0001", 2.0)
    with gone_on_with(table, prefix="K-") as again:
        again.let_gates_pass()
        assert [run.device for run in again.runs()] == ["K-0001"]
        again.shop.bench.remove("A")
        wait_for(lambda: again.seen("A") is False)
        again.shop.bench.insert("A", 3.0)
        wait_for(lambda: len(again.runs()) == 2)


def test_it_is_not_measured_under_the_id_of_the_next_one(table: Table) -> None:
    """Who scans first and exchanges then is waited for, as before the break."""
    table.measure("a", 2.0)
    with gone_on_with(table) as again:
        assert again.ask("device", "b").ok
        again.let_gates_pass()
        assert [run.device for run in again.runs()] == ["a"]
        assert again.ask("device").ok  # it is in already
        wait_for(lambda: len(again.runs()) == 2)
        wait_for(lambda: EventKind.STILL_IN in again.shop.kinds(2))
        wait_for(lambda: again.runs()[1].word is not None)
        assert again.ask("aside").ok
        with gone_on_with(again) as anew:  # not done with: measured where it is
            assert anew.ask("device", "b").ok
            wait_for(lambda: len(anew.runs()) == 3)


@pytest.mark.campaign  # every suite: at the end of the test above
def test_one_that_was_not_done_with_is_measured_where_it_is(table: Table) -> None:
    table.measure("a", 2.0)
    assert table.ask("aside").ok
    with gone_on_with(table) as again:
        assert again.ask("device", "a").ok
        wait_for(lambda: len(again.runs()) == 2)
