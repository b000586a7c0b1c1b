"""What a person did last in a lot: neither a merge nor a clock set back moves it."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace

import pytest
from lot_shop import PART, Shop
from lot_table import Table, set_up
from waiting import wait_for

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.evaluation.lots import lot_report
from benchlog.model import Event, EventKind, Lot, LotRun
from benchlog.recorder.lot.lot_inspection import launch_lot
from benchlog.screen.inspection.meant_run import noted
from benchlog.screen.inspection.places import Places, Spot
from benchlog.screen.inspection.text import last_run
from benchlog.store.sqlite import connect_to_write
from benchlog.store.writer import Writer
from benchlog.verdict.lot.lot_runs import begun_here

HOUR_NS = 3_600_000_000_000


@pytest.fixture
def table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Iterator[Table]:
    with set_up(shop, monkeypatch, 300) as found:
        yield found


def set_clock_back_since(table: Table, run: int) -> None:
    """Let a run have begun while the clock was an hour ahead."""
    with closing(connect_to_write(table.shop.db)) as connection, connection:
        guards = connection.execute(
            "select name, sql from sqlite_master where type = 'trigger'"
            " and tbl_name = 'runs'"
        ).fetchall()
        for name, _ in guards:
            connection.execute(f"drop trigger {name}")
        connection.execute(
            "update runs set started_utc_ns = started_utc_ns + ? where id = ?",
            (HOUR_NS, run),
        )
        for _, sql in guards:
            connection.execute(sql)


def measure(table: Table, device: str, offset_ppm: float, run: int) -> LotRun:
    """As `Table.measure`, whichever run is the last by its time."""
    table.shop.bench.remove("A")
    assert table.ask("device", device).ok
    wait_for(lambda: table.seen("A") is False)
    table.shop.bench.insert("A", offset_ppm)
    wait_for(lambda: any(r.run == run and r.word is not None for r in table.runs()))
    assert table.ask("status").ok  # it answers once that run is done with
    return next(r for r in table.runs() if r.run == run)


def test_the_device_before_is_the_one_that_was_begun_last(table: Table) -> None:
    measure(table, "a", 60.0, 1)
    set_clock_back_since(table, 1)
    measure(table, "b", 3.0, 2)
    assert table.ask("again").ok
    wait_for(lambda: len(table.runs()) == 3)
    wait_for(lambda: all(r.word is not None for r in table.runs()))
    assert sorted(r.device for r in table.runs()) == ["a", "b", "b"]
    assert table.ask("damaged").data["device"] == "b"
    assert table.ask("undo").data["said"].startswith("undone: b")
    measure(table, "a", 2.0, 4)
    counted = [(r.run, r.word) for r in table.runs() if r.counts and r.device == "a"]
    assert counted == [(4, "pass")]
    assert table.ask("undo").data["said"].startswith("undone: b"), "no person did it"


@pytest.mark.campaign  # every suite: at the end of the test above
def test_the_run_begun_last_counts_after_the_clock_was_set_back(table: Table) -> None:
    assert measure(table, "a", 60.0, 1).word == "fail"
    set_clock_back_since(table, 1)
    measure(table, "a", 2.0, 2)
    counted = [(r.run, r.word) for r in table.runs() if r.counts]
    assert counted == [(2, "pass")]
    assert not table.ask("undo").ok, "no person did it"


def test_it_is_seen_to_when_a_keeper_was_killed_meanwhile(table: Table) -> None:
    measure(table, "a", 60.0, 1)
    measure(table, "a", 2.0, 2)
    table.launched.close()
    set_clock_back_since(table, 1)
    assert table.done() == 2, [(r, table.shop.kinds(r.run)) for r in table.runs()]
    with closing(launch_lot(table.task, table.shop.db)):
        assert [r.run for r in table.runs() if r.counts] == [2]


def test_runs_that_were_merged_meanwhile_are_another_persons(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = shop.folder / "other.db"
    shop.run(shop.opening(40, 4, 1, "--db", str(other), "--ids", "-"), ids="z\n")
    with set_up(shop, monkeypatch, 300) as table:
        table.measure("a", 2.0)
        assert table.ask("aside").ok
        clock = HostClock()
        with closing(Writer.open(other, clock)) as there:
            now = clock.utc_ns(), clock.mono_ns()
            text = "taken back by a person: it does not count"
            there.commit([(1, 0, Event(*now, EventKind.SET_ASIDE, text))])
        with closing(Writer.open(shop.db, clock)) as here:
            assert len(here.merge(other).brought) == 1
        assert {r.device for r in table.runs()} == {"a", "z"}
        assert table.ask("undo").data["said"] == "undone: a counts again"
        assert not table.ask("undo").ok
        assert table.ask("damaged").data["device"] == "a"
        assert table.ask("again").ok
        wait_for(lambda: len(table.runs()) == 3)
        assert sorted(r.device for r in table.runs()) == ["a", "a", "z"]


def test_the_screen_shows_the_run_that_its_keys_are_about() -> None:
    def run(number: int, device: str, at_s: int) -> LotRun:
        return LotRun(
            run=number,
            device=device,
            position="A",
            started_utc_ns=at_s * 10**9,
            ended_how="verdict clear",
            word="pass",
        )

    before, last, merged = run(1, "a", 200), run(2, "b", 100), run(3, "z", 300)
    runs = (last, before, merged)
    report = lot_report(Lot(lot="L1", part_id=PART), load_part(PART), runs)
    report = replace(report, begun=begun_here(runs, {3}))
    assert last_run(report) == last
    assert noted(report, Places(spots=(Spot(name="A"),))) == "b"
