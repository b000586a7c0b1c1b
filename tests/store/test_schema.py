"""The schema: strict tables, numbered steps forward, each tried on an older file."""

import json
import os
import shutil
import sys
from contextlib import closing, suppress
from dataclasses import fields, replace
from pathlib import Path

import pytest
from schemas_held import UPDATE
from store.making import begin, connection_of, rows
from store.processes import environment
from warm_program import Program

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError
from benchlog.model import Condition, Edge, Event, PhasePoint, Purpose, Reading
from benchlog.store import opening as migrate
from benchlog.store import sqlite
from benchlog.store.logged_tables import LOGGED
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.schema import newest
from benchlog.store.schema import steps as schema
from benchlog.store.writer import Writer

TABLES = {
    "parts",
    "lots",
    "devices",
    "instruments",
    "runs",
    "segments",
    "readings",
    "edges",
    "conditions",
    "events",
    "reference_checks",
    "verdicts",
    "outline",
    "amendments",
    "packed",
    "phases",
    "quarantine",
    "database_uids",
}

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"


def rows_of(connection, sql):
    return connection.execute(sql).fetchall()


def test_the_tables_of_the_design_are_there_and_strict(writer):
    found = rows_of(connection_of(writer), "pragma table_list")
    strict = {
        name: bool(flag) for _, name, kind, _, _, flag in found if kind == "table"
    }
    strict = {n: flag for n, flag in strict.items() if not n.startswith("sqlite_")}
    assert strict == dict.fromkeys(TABLES, True)
    assert ("readings_named", "view") in {(name, kind) for _, name, kind, *_ in found}


KINDS = {int: "INTEGER", float: "REAL", str: "TEXT", bytes: "BLOB"}


@pytest.mark.parametrize("table", LOGGED, ids=lambda table: table.name)
def test_a_fresh_database_has_the_columns_that_are_declared(writer, table):
    info = rows_of(connection_of(writer), f"pragma table_info({table.name})")
    (_, *key), (_, *run), *found = [row[:4] for row in info]
    assert [key, run] == [["id", "INTEGER", 0], ["run_id", "INTEGER", 1]]
    declared = list(table.kinds.items())[1:]
    assert next(iter(table.kinds)) == "id"
    assert [row[1:] for row in found] == [
        (name, KINDS[kind], int(name not in table.may_be_null))
        for name, kind in declared
    ]


@pytest.mark.parametrize(
    ("table", "noun"),
    list(zip(LOGGED, (Reading, Event, Condition, Edge, PhasePoint), strict=True)),
    ids=lambda one: getattr(one, "name", ""),
)
def test_the_declared_columns_are_the_fields_of_the_noun(table, noun):
    assert table.noun_columns == tuple(field.name for field in fields(noun))


def test_the_files_settings(writer):
    settings = {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "user_version": migrate.NEWEST,
        "application_id": sqlite.APPLICATION_ID,
    }
    for name, value in settings.items():
        assert rows_of(connection_of(writer), f"pragma {name}") == [(value,)], name
    assert rows_of(connection_of(writer), "pragma foreign_key_check") == []


def test_the_number_of_steps_is_the_newest_schema():
    assert len(schema.STEPS) == migrate.NEWEST


def test_the_schema_that_is_kept_is_what_the_steps_make(tmp_path):
    connection = sqlite.connect_to_write(tmp_path / "bench.db")
    migrate.run_steps(connection, tmp_path, schema.STEPS)
    made = rows_of(connection, newest.SCHEMA)
    uids = rows_of(connection, "select place, how from database_uids")
    connection.close()
    if os.environ.get(UPDATE):
        kept = {"steps": len(schema.STEPS), "schema": made}
        newest.KEPT.write_text(json.dumps(kept, indent=1) + "\n", "utf-8")
    kept = json.loads(newest.KEPT.read_text("utf-8"))
    assert kept["steps"] == len(schema.STEPS)
    assert [tuple(row) for row in kept["schema"]] == made, "write it anew"
    fresh = sqlite.connect_to_write(tmp_path / "fresh.db")
    migrate.migrate(fresh, tmp_path)
    assert rows_of(fresh, newest.SCHEMA) == made
    assert rows_of(fresh, "select place, how from database_uids") == uids
    fresh.close()


def test_every_parent_is_a_foreign_key(writer):
    parents = {
        (table, row[3])
        for table in TABLES
        for row in rows_of(connection_of(writer), f"pragma foreign_key_list({table})")
    }
    for table in ("readings", "edges", "conditions", "events", "phases"):
        assert {(table, "run_id"), (table, "segment_id")} <= parents


def with_a_column(db):
    db.execute("alter table runs add column chamber text")


def that_fails(db):
    db.execute("alter table runs add column half_done text")
    db.execute("update no_such_table set half_done = 1")


def test_an_old_file_is_brought_up_to_date_with_all_that_is_in_it(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 5))
    connection = sqlite.connect_to_write(path)
    steps = (*schema.STEPS, with_a_column)
    migrate.run_steps(connection, path, steps)
    migrate.run_steps(connection, path, steps)
    assert rows_of(connection, "pragma user_version") == [(len(steps),)]
    assert rows_of(connection, "select chamber from runs") == [(None,)]
    assert rows_of(connection, "select count(*) from readings") == [(5,)]
    connection.close()


def test_a_file_of_schema_1_learns_amendments(tmp_path, monkeypatch):
    path = tmp_path / "bench.db"
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 1)
        older.setattr(schema, "STEPS", schema.STEPS[:1])
        with Writer.open(path, VirtualClock()) as writer:
            assert rows_of(connection_of(writer), "pragma user_version") == [(1,)]
            run, segment = begin(writer)
            writer.commit(rows(run, segment, 5))
    with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
        assert rows_of(connection_of(writer), "pragma user_version") == [
            (migrate.NEWEST,)
        ]
        assert reader.count(run) == 5
        named = "select distinct device, device_typed, voided from readings_named"
        assert rows_of(connection_of(writer), named) == [("D1", "D1", 0)]
        writer.amend(
            run, Amendment(kind="device", reason="7 read as 1", old="D1", new="D7")
        )
        writer.amend(run, Amendment(kind="void", reason="probe fell off"))
        assert rows_of(connection_of(writer), named) == [("D7", "D1", 1)]
        assert reader.run(run).void == "probe fell off"


QUARANTINED = "insert into quarantine values (null, 'run', ?, ?, 'no part', 0, '1')"


def test_a_file_of_schema_6_learns_quarantine(tmp_path, monkeypatch):
    path = tmp_path / "bench.db"
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 6)
        older.setattr(schema, "STEPS", schema.STEPS[:6])
        with Writer.open(path, VirtualClock()) as writer:
            assert rows_of(connection_of(writer), "pragma user_version") == [(6,)]
            for device in ("D1", "D2"):
                run, segment = begin(writer, device)
                writer.commit(rows(run, segment, 5))
    with Writer.open(path, VirtualClock()) as writer:
        connection = connection_of(writer)
        counts = "select run, count(*) from readings_named n join runs_named r "
        counts += "on r.run = n.run_id group by run"
        assert rows_of(connection, counts) == [(1, 5), (2, 5)]
        connection.execute(QUARANTINED, (2, "put in"))
        assert rows_of(connection, counts) == [(1, 5)]
        connection.execute(QUARANTINED, (2, "taken out"))
        assert rows_of(connection, counts) == [(1, 5), (2, 5)]
        for change in ("delete from quarantine", "update quarantine set number = 1"):
            with pytest.raises(sqlite.SqliteError, match="never"):
                connection.execute(change)


def test_a_file_of_schema_10_learns_what_was_judged_and_which_trims_are_whole(
    tmp_path, monkeypatch
):
    path, trim = tmp_path / "bench.db", {"purpose": Purpose.TRIM}
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 10)
        older.setattr(schema, "STEPS", schema.STEPS[:10])
        with Writer.open(path, VirtualClock()) as writer:
            assert rows_of(connection_of(writer), "pragma user_version") == [(10,)]
            for how in ("best code found", "interrupted"):
                run, segment = begin(writer, **trim)
                writer.commit(rows(run, segment, 5))
                writer.end_run(run, how)
            at = {"temperature_c": 25.0, "offset_ppm": 31.0, "u_ppm": 0.4}
            row = VerdictRow(word="pass", offset_ppm=26.0, u_ppm=0.1)
            writer.add_verdict(1, replace(row, figures={"at_reference": at}))
            sql = "select run, counts from runs_named order by run"
            assert rows_of(connection_of(writer), sql) == [(1, 1), (2, 1)]
    with Writer.open(path, VirtualClock()) as writer:
        sql = "select run, does_not_count, judged_ppm, run_uid is not null"
        assert rows_of(connection_of(writer), f"{sql} from runs_named order by 1") == [
            (1, None, 31.0, 1),
            (2, "interrupted: no best code found", None, 1),
        ]
        assert rows_of(connection_of(writer), "select count(*) from readings") == [
            (10,)
        ]


@pytest.mark.parametrize("snapshot", ["", "{", "null", "[]", '{"max_s": NaN}'])
def test_no_view_fails_of_a_snapshot_that_is_no_json(writer, snapshot):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 5))
    connection = connection_of(writer)
    connection.execute(
        "insert into runs select 9, purpose, device_id, instrument_id, position, bench,"
        " nominal_hz, divider, simulated, started_utc_ns, ended_utc_ns, ended_how,"
        " operator, note, software, ?, resolution_hz, control, '' from runs",
        (snapshot,),
    )
    for view in ("runs_named", "results", "readings_named"):
        assert rows_of(connection, f"select count(*) from {view}")[0][0] >= 0
    assert rows_of(connection, "select run from runs_named order by 1") == [(1,), (9,)]


def test_a_step_that_fails_leaves_the_file_as_it_was(tmp_path):
    path = tmp_path / "bench.db"
    Writer.open(path, VirtualClock()).close()
    connection = sqlite.connect_to_write(path)
    with pytest.raises(Exception, match="no such table"):
        migrate.run_steps(connection, path, (*schema.STEPS, with_a_column, that_fails))
    assert rows_of(connection, "pragma user_version") == [(migrate.NEWEST,)]
    names = {row[1] for row in rows_of(connection, "pragma table_info(runs)")}
    assert not names & {"chamber", "half_done"}
    connection.close()


STRICT = "select name, sql from sqlite_master where type = 'table'"


def test_a_row_that_cannot_be_keeps_no_old_file_from_being_read(tmp_path):
    """SQLite looks at all rows of a strict table that is given a column.

    Before, one such row of one run had every command refuse the whole database:
    "type mismatch on DEFAULT".
    """
    path = tmp_path / "bench.db"
    shutil.copy(CORPUS / "day.db", path)
    with closing(sqlite.connect_to_write(path)) as connection:
        kept = dict(connection.execute(STRICT).fetchall())
        forbid = "select name from sqlite_master where type = 'trigger'"
        for (name,) in connection.execute(forbid).fetchall():
            connection.execute(f"drop trigger {name}")
        connection.execute("pragma writable_schema=on")
        connection.execute(
            "update sqlite_master set sql = replace(replace(sql, ' STRICT', ''),"
            " 'NOT NULL', '') where type = 'table'"
        )
        connection.execute("pragma writable_schema=reset")
        connection.execute("update runs set operator = x'00ff', note = 7 where id = 1")
        connection.execute("update runs set position = null where id = 3")
        connection.execute("pragma writable_schema=on")
        connection.executemany(
            "update sqlite_master set sql = ?2 where name = ?1", list(kept.items())
        )
    before = rows_of_runs(path)
    with Writer.open(path, VirtualClock()) as writer:
        begin(writer, "MINE")
    with Reader.open(path) as reader:
        listed = [run.id for run in reader.runs()]
        assert sorted(listed) == [2, *range(4, 18)]
        assert set(reader.left_out) == {"run 1", "run 3"}
    assert rows_of_runs(path)[: len(before)] == before  # nothing of them was changed
    with closing(sqlite.connect_to_read(path)) as connection:
        tables = {
            name: " ".join(sql.split()) for name, sql in connection.execute(STRICT)
        }
        assert tables == {
            name: " ".join(sql.split())
            for kind, name, _, sql in newest.newest_schema().rows
            if kind == "table"
        }
    with Reader.open(path) as reader:
        assert reader.run(2).uid


def rows_of_runs(path):
    with closing(sqlite.connect_to_read(path)) as connection:
        names = "id, operator, note, position, nominal_hz, divider, snapshot"
        return connection.execute(f"select {names} from runs order by id").fetchall()


def test_a_reader_does_not_guess_at_an_older_schema(tmp_path, monkeypatch):
    path = tmp_path / "bench.db"
    Writer.open(path, VirtualClock()).close()
    monkeypatch.setattr("benchlog.store.opening.NEWEST", 99)
    with pytest.raises(StoreError, match="older schema"):
        Reader.open(path)


def test_a_schema_made_while_a_file_is_looked_at_is_not_a_strangers(tmp_path):
    path = tmp_path / "bench.db"

    def be_made_by_another(statement):
        if statement == "pragma user_version":
            looking.set_trace_callback(None)
            with suppress(sqlite.SqliteError):  # it is kept out while one looks
                migrate.migrate(making, path)

    with closing(sqlite.connect_to_write(path)) as looking:
        with closing(sqlite.connect_to_write(path)) as making:
            looking.set_trace_callback(be_made_by_another)
            assert migrate.schema_of(looking, path) in (0, migrate.NEWEST)
            migrate.migrate(making, path)
        assert migrate.schema_of(looking, path) == migrate.NEWEST


OPEN = """
import sys
from pathlib import Path
from benchlog.clock import HostClock, host_deadline
from benchlog.errors import StoreLockedError
from benchlog.store.writer import Writer
from store.making import begin
limit = host_deadline(30.0)
while True:
    try:
        with Writer.open(Path(sys.argv[1]), HostClock()) as writer:
            begin(writer, sys.argv[2])
        break
    except StoreLockedError:  # a busy computer: whoever writes is waited for briefly
        if limit.passed:
            raise
"""


def test_four_processes_may_make_the_database_at_once(tmp_path):
    path = tmp_path / "bench.db"
    words = [sys.executable, "-c", OPEN, str(path)]
    started = [Program([*words, f"D{i}"], env=environment()) for i in range(4)]
    assert [process.wait(60) for process in started] == [0] * 4
    with Reader.open(path) as reader:
        assert {run.device for run in reader.runs()} == {"D0", "D1", "D2", "D3"}
