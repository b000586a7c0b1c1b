"""A database that takes nothing for a while ends no run beside the one that is over."""

import threading
from contextlib import closing
from dataclasses import replace

import pytest

from benchlog.errors import StoreError
from benchlog.model import Event, EventKind, PositionSpec
from benchlog.recorder.keeper import opened_keeper
from benchlog.recorder.run import bookkeeper
from benchlog.store.reader import Reader
from benchlog.store.sqlite import connect_to_write
from benchlog.store.unsaved_rows import rows_of_file

LOCKED_S = 2.5


@pytest.fixture
def locked(database, monkeypatch):
    """Return what locks the database for a while as another program does."""
    monkeypatch.setattr(bookkeeper, "_LAST_TRY_S", 0.2)
    threads = []

    def lock():
        begun = threading.Event()
        threads.append(threading.Thread(target=_hold, args=(database, begun)))
        threads[-1].start()
        assert begun.wait(10)

    yield lock
    for thread in threads:
        thread.join()


def _hold(database, begun):
    with closing(connect_to_write(database)) as connection:
        connection.execute("begin immediate")
        begun.set()
        threading.Event().wait(LOCKED_S)
        connection.execute("rollback")


def two_plans(plan_for):
    """Return plans for two positions of one bench, the second far longer."""
    plan = plan_for("stranger-steady", readings=10, max_s=600.0)
    first = plan.bench.instruments["counter"]
    bench = replace(
        plan.bench,
        instruments={"counter": first, "other": replace(first, name="other")},
        positions=(*plan.bench.positions, PositionSpec(name="B", frequency="other")),
    )
    return [
        replace(plan, bench=bench),
        replace(plan, bench=bench, device="C-2", position="B", max_readings=700),
    ]


def kept(plans, database, clock, lock):
    heard = []

    def tell(notice):
        heard.append(notice)
        if sum(one.reading is not None and one.run_id == 1 for one in heard) == 9:
            lock()
            heard.clear()

    with opened_keeper(plans, database, clock, tell=tell) as keeper:
        keeper.wait_for_all()
        keeper.begin()
        keeper.loop()


def test_the_other_run_goes_on_and_both_end_as_planned(
    plan_for, database, clock, locked
):
    """Takes about 10 s: the database is locked as the first run is over."""
    kept(two_plans(plan_for), database, clock, locked)
    with closing(Reader.open(database)) as reader:
        ends = [reader.run(run).ended_how for run in (1, 2)]
        assert ends == ["readings reached", "readings reached"]
        assert [reader.count(run) for run in (1, 2)] == [10, 700]
        told = [[str(e.kind) for _, e in reader.events(run)] for run in (1, 2)]
        assert [kinds.count("ended") for kinds in told] == [1, 1]
    assert not list(database.parent.glob("benchlog-unsaved-*"))


def test_a_run_alone_tells_where_its_rows_are(plan_for, database, clock, locked):
    """Takes about 3 s. Nobody waits for a database for ever, when all is measured."""
    plan, _ = two_plans(plan_for)
    with pytest.raises(StoreError, match="they are in"):
        kept([plan], database, clock, locked)


def test_an_end_that_is_tried_again_has_the_rows_that_were_written_aside(
    plan_for, database, clock, locked
):
    """Takes about 5 s. A person stops the run while the database is locked."""
    plan, _ = two_plans(plan_for)
    stopped = []
    with opened_keeper(
        [replace(plan, max_readings=None)], database, clock, tell=lambda _: None
    ) as keeper:

        def stop_while_locked():
            if not stopped and keeper.book.queue.waiting >= 3:
                with pytest.raises(StoreError, match="they are in"):
                    keeper.end_one(run.run_id, "stopped")
                stopped.append(run)
                threading.Event().wait(LOCKED_S)  # then the database takes rows again
                keeper.end_one(run.run_id, "broken off")  # as on its way out

        keeper.wait_for_all()
        keeper.begin()
        (run,) = keeper.book.runs.all()
        while run.accepted < 5:
            keeper.turn()
        keeper.each_turn = stop_while_locked
        locked()
        keeper.loop()
    with closing(Reader.open(database)) as reader:
        ended = reader.run(run.run_id)
        assert ended.ended_how == "stopped"
        assert reader.count(ended.id) == run.accepted
        assert ended.verdict is not None and ended.told_readings == run.accepted
        kinds = [str(event.kind) for _, event in reader.events(ended.id)]
        assert kinds.count("ended") == 1


def test_a_file_of_rows_has_the_end_of_their_run(plan_for, database, clock, locked):
    """Takes about 3 s. `import` ends the run then, as its keeper would have."""
    plan, _ = two_plans(plan_for)
    with pytest.raises(StoreError, match="they are in"):
        kept([plan], database, clock, locked)
    (path,) = database.parent.glob("benchlog-unsaved-*")
    ends = [
        record.text
        for _, _, record in rows_of_file(path)
        if isinstance(record, Event) and record.kind == EventKind.ENDED
    ]
    assert ends == ["readings reached"]
