"""What was said of a run, in a word that there is not: it is found, nobody reads by it.

A void whose kind was changed in the file would let its run count again, untold.
"""

import json

import pytest
from store.making import begin, connection_of, rows

from benchlog.clock import VirtualClock
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.model import Event, EventKind
from benchlog.store.integrity.examination import examine, repair
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

KNOWN = [
    Amendment(kind="void", reason="warm hands"),
    Amendment(kind="restore", reason="gloves"),
    *(
        Amendment(kind=kind, reason="typed wrong", old="a", new="b")
        for kind in ("device", "lot", "operator", "mark 1", "mark 12")
    ),
]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bench.db"


@pytest.fixture
def writer(path):
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, "D1")
        writer.commit(rows(run, segment, 5))
        writer.end_run(run, "stopped")
        yield writer


def change(writer, table, sql):
    connection_of(writer).execute(f"drop trigger {table}_keep_on_update")
    connection_of(writer).execute(f"update {table} set {sql}")


def test_every_kind_that_is_written_is_known(writer, path):
    for one in KNOWN:
        assert one.is_known, one
        writer.amend(1, one)
    for kind in EventKind:
        writer.commit([(1, 0, Event(7, 7, kind, "so"))])
    assert examine(path) == []


@pytest.mark.parametrize(
    ("said", "sql"),
    [
        (KNOWN[0], "kind = 'gone'"),
        (KNOWN[0], "kind = 'Void'"),
        (KNOWN[2], "new = null"),
        (KNOWN[5], "kind = 'mark '"),
    ],
)
def test_an_amendment_of_no_kind_is_found_and_its_run_put_aside(
    writer, path, tmp_path, said, sql
):
    writer.amend(1, said)
    change(writer, "amendments", sql)
    (found,) = examine(path)
    assert found.record == (RUN, 1)
    assert "a row of amendments hold what cannot be" in found.what
    with Writer.open(tmp_path / "all.db", VirtualClock()) as other:
        assert "amendments" in other.merge(path).left_out["run 1"]
    assert repair(writer, [found], "0.0") == [found]
    with Reader.open(path) as reader:
        assert not list(reader.runs())
        assert "quarantine" in reader.left_out["run 1"]


def test_an_event_of_no_kind_is_found(writer, path):
    writer.commit([(1, 0, Event(7, 7, EventKind.DAMAGED, "it fell"))])
    change(writer, "events", "kind = 'dented' where kind = 'damaged'")
    (found,) = examine(path)
    assert "a row of events are of a kind that this version does not know" in found.what
    assert "benchlog void 1" in found.todo


def test_an_amendment_of_no_kind_does_not_come_in_by_a_file(writer, path, tmp_path):
    writer.amend(1, KNOWN[0])
    with Reader.open(path) as reader:
        export_run(reader, 1, "jsonl", tmp_path / "run.jsonl")
    lines = (tmp_path / "run.jsonl").read_text().splitlines()
    changed = [line.replace('"kind": "void"', '"kind": "gone"') for line in lines]
    assert changed != lines
    kinds = [json.loads(line).get("kind") for line in changed]
    assert "gone" in kinds
    (tmp_path / "run.jsonl").write_text("\n".join(changed) + "\n")
    here = tmp_path / "here.db"
    with Writer.open(here, VirtualClock()) as other:
        result = import_file(tmp_path / "run.jsonl", other, VirtualClock())
    assert result.rejected == 1
    with Reader.open(here) as reader:
        assert not reader.amendments(result.run)
        told = [event.text for _, event in reader.events(result.run)]
        assert any("gone" in text for text in told), told
