"""Databases that somebody made to spoil what is measured, read or merged next.

Each is ours but for one lie. Before, readings were stored in any order, a run began
void or in quarantine, and a column was worked out anew for each row that was read.
"""

from contextlib import closing

import numpy as np
import pytest
from store.making import begin, rows

from benchlog.clock import VirtualClock
from benchlog.errors import StoreDamagedError, StoreError
from benchlog.store import sqlite
from benchlog.store.backup import back_up
from benchlog.store.integrity.shared_pages import refuse_shared
from benchlog.store.reader import Reader
from benchlog.store.staging import staging_beside
from benchlog.store.writer import Writer

HIGHEST = 2**63 - 1


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "strange.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, "THEIRS")
        writer.commit(rows(run, segment, 3))
        writer.end_run(run, "stopped")
    return path


def plant(path, *statements):
    with closing(sqlite.connect_to_write(path)) as connection:
        triggers = connection.execute(
            "select name from sqlite_master where type = 'trigger'"
        ).fetchall()
        for (name,) in triggers:
            connection.execute(f"drop trigger {name}")
        for one in statements:
            connection.execute(one)


def of_schema(table, old, new):
    return (
        "pragma writable_schema=on",
        f"update sqlite_master set sql = replace(sql, '{old}', '{new}')"
        f" where name = '{table}'",
        "pragma writable_schema=reset",
    )


def test_a_run_begins_only_where_its_readings_will_be_in_their_order(path):
    """SQLite: after the highest number a row gets any (sqlite.org/autoinc.html)."""
    plant(path, f"update readings set id = {HIGHEST} where id = 3")
    with (
        Writer.open(path, VirtualClock()) as writer,
        pytest.raises(StoreDamagedError, match="in readings"),
    ):
        begin(writer, "MINE")
    plant(path, "update readings set id = -id where id > 0")
    with (
        Writer.open(path, VirtualClock()) as writer,
        pytest.raises(StoreDamagedError, match="a number of -1 in readings"),
    ):
        writer.resume_run(1)


def test_a_database_of_the_highest_numbers_can_be_merged(path, tmp_path):
    plant(path, f"update readings set id = {HIGHEST} where id = 3")
    with Writer.open(tmp_path / "mine.db", VirtualClock()) as writer:
        assert writer.merge(path).readings == 3
        run, segment = begin(writer, "MINE")
        writer.commit(rows(run, segment, 3))
        with Reader.open(tmp_path / "mine.db") as reader:
            assert np.all(np.diff(reader.columns_after(run).mono_ns) > 0)


def test_a_run_begins_with_nothing_said_of_it(path):
    plant(
        path,
        "insert into quarantine (record, number, done, reason, at_utc_ns, software)"
        " values ('run', 2, 'put in', 'planted', 0, '')",
        "insert into amendments (run_id, at_utc_ns, kind, old, new, reason, operator)"
        " values (3, 0, 'void', null, 'yes', 'planted', '')",
    )
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, "MINE")
        writer.commit(rows(run, segment, 3))
    with Reader.open(path) as reader:
        assert reader.run(run).device == "MINE"
        assert not reader.amendments(run)
        assert reader.count(run) == 3


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"operator" TEXT NOT NULL', '"operator" TEXT AS/**/(hex(zeroblob(9)))'),
        ('"note" TEXT NOT NULL', '"note" ANY NOT NULL'),
        ('"note" TEXT NOT NULL', '"note" TEXT NOT NULL, "rowid" INTEGER'),
        ('"id" INTEGER PRIMARY KEY', '"id" INTEGER'),
        (") STRICT", ") WITHOUT ROWID, STRICT"),
        (") STRICT", ") /* ( */ STRICT"),
    ],
)
def test_columns_are_as_ours(path, old, new):
    plant(path, *of_schema("runs", old, new))
    with pytest.raises(StoreError):
        Reader.open(path)
    with pytest.raises(StoreError):
        Writer.open(path, VirtualClock())


def test_a_table_in_the_place_of_a_function_tells_no_size(path):
    """A table `pragma_page_count` hides the function of this name."""
    plant(
        path,
        "create table pragma_page_count (page_count)",
        "insert into pragma_page_count values (0)",
    )
    with closing(sqlite.connect_to_read(path)) as connection:
        refuse_shared(connection, path)  # the file has pages, whatever that tells


def test_parts_are_merged_by_the_names_of_their_columns(path, tmp_path):
    plant(
        path,
        "pragma foreign_keys=off",
        "create table kept as select * from parts",
        "drop table parts",
        "create table parts (id text primary key, body text not null, kind text not"
        " null, nominal_hz real not null, title text not null, more text) strict",
        "insert into parts (id, title, kind, nominal_hz, body)"
        " select id, title, kind, nominal_hz, body from kept",
    )
    mine = tmp_path / "mine.db"
    with Writer.open(mine, VirtualClock()) as writer:
        assert writer.merge(path).readings == 3
    with Reader.open(mine) as reader:
        assert reader.part("quartz-16mhz").title == "16 MHz quartz"


UNIQUE = "unique (run_id, gate_s) on conflict"


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("readings", "CHECK (freq", f"{UNIQUE} ignore, CHECK (freq"),
        ("readings", "CHECK (freq", f"{UNIQUE} replace, CHECK (freq"),
        (
            "readings",
            '"ambient_c" REAL',
            '"ambient_c" REAL not null on conflict ignore',
        ),
        ("readings", "CHECK (freq", "CHECK (hex(zeroblob(9)) > 1), CHECK (freq"),
        ("readings", "gate_s >= 0", "gate_s >= 5"),
        ("readings", '"raw" TEXT', '"raw" TEXT, more text default (hex(zeroblob(9)))'),
        ("readings", '"raw" TEXT', '"raw" TEXT references nowhere (x)'),
        ("readings", '"raw" TEXT', '"raw" TEXT references "no-where" (x)'),
        ("readings", "INTEGER PRIMARY KEY", "INTEGER PRIMARY KEY autoincrement"),
        ("readings", "INTEGER PRIMARY KEY", "INTEGER default 7 primary key desc"),
        ("amendments", '"kind" TEXT', '"kind" TEXT unique on conflict ignore'),
        ("readings", '"mono_ns" INTEGER', '"mono_ns" REAL'),
        ("readings", '"utc_ns" INTEGER', '"utc_ns" REAL'),
        ("readings", '"raw" TEXT', '"raw" REAL'),
        ("readings", '"frequency_hz" REAL', '"frequency_hz" INTEGER'),
        ("readings", '"raw" TEXT', '"raw" TEXT not null'),
        ("readings", '"raw" TEXT', '"raw" TEXT, more TEXT not null'),
        ("readings", '"raw" TEXT', '"raw" TEXT, more TEXT not null default null'),
        ("readings", '"raw" TEXT', "\"raw\" TEXT, more INTEGER default 'x'"),
        ("readings", '"gate_s" REAL', '"gate_s" REAL references runs (id)'),
        (
            "readings",
            '"raw" TEXT,',
            '"raw" TEXT, foreign key (gate_s) references runs,',
        ),
        ("runs", "default ''", "default '3e4d9fd4-1111-4111-8111-111111111111'"),
    ],
)
def test_no_row_is_dropped_or_refused_by_rules_of_a_stranger(tmp_path, table, old, new):
    """A conflict clause drops rows without an error (sqlite.org/lang_conflict.html).

    Before, of thirty readings that were measured into such a database one was kept. A
    REAL has 53 bits (IEEE 754), so a time in such a column was off by up to 128 ns.
    """
    path = tmp_path / "strange.db"
    Writer.open(path, VirtualClock()).close()
    with closing(sqlite.connect_to_write(path)) as connection:
        names = "select sql from sqlite_master where sql is not null and tbl_name = ?"
        texts = [sql for (sql,) in connection.execute(names, (table,))]
        connection.execute(f"drop table {table}")
        assert any(old in sql for sql in texts)
        for sql in texts:
            connection.execute(sql.replace(old, new, 1) if "TABLE" in sql else sql)
    with pytest.raises(StoreError, match=table):
        Writer.open(path, VirtualClock())
    with pytest.raises(StoreError, match=table):
        Reader.open(path)


@pytest.mark.parametrize(
    "index",
    [
        "create unique index theirs on readings (mono_ns)",
        "create index theirs on readings (hex(zeroblob(frequency_hz)))",
        "create index theirs on readings (gate_s) where hex(zeroblob(9)) > '1'",
        "create index theirs on readings (raw collate nocase)",
    ],
)
def test_an_index_refuses_no_row_and_calls_nothing(path, index):
    plant(path, index)
    said = "theirs .*where it is yours, `drop index`"
    with pytest.raises(StoreError, match=said):
        Writer.open(path, VirtualClock())
    plant(path, "drop index theirs")
    Writer.open(path, VirtualClock()).close()


@pytest.mark.parametrize("doing", ["update", "update of ended_utc_ns", "delete"])
def test_a_trigger_forbids_nothing_that_ours_do_not(path, doing):
    """Before, a run in such a database could not be ended, and its rows went aside."""
    text = "begin select raise(abort, 'no'); end"
    plant(path, f"create trigger theirs before {doing} on runs {text}")
    with pytest.raises(StoreError, match="theirs"):
        Writer.open(path, VirtualClock())


@pytest.mark.parametrize("other", ["idx_segments_run_id", "idx_events_run_id"])
def test_no_two_indices_are_one(tmp_path, other):
    """The schema's text is ours: of a second run 31 readings were found of 30."""
    path = tmp_path / "strange.db"
    Writer.open(path, VirtualClock()).close()
    plant(
        path,
        "pragma writable_schema=on",
        "update sqlite_master set rootpage = (select rootpage from sqlite_master"
        f" where name = '{other}') where name = 'idx_readings_run_id'",
        "pragma writable_schema=reset",
    )
    for door in (Reader.open, lambda one: Writer.open(one, VirtualClock())):
        with pytest.raises(StoreError, match="begin at one page"):
            door(path)


def test_plain_indices_and_columns_of_a_person_s_own_are_let_be(path):
    plant(
        path,
        'create index one on readings ("gate_s", utc_ns desc)',
        "create index if not exists [an other] on events (kind)",
        "alter table devices add column shelf text default 'A-1'",
        "alter table lots add column price real not null default 0.5",
        "alter table runs add column other integer references runs (id)",
    )
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, "MINE")
        writer.commit(rows(run, segment, 3))
    with Reader.open(path) as reader:
        assert reader.count(run) == 3


def test_texts_are_as_ours(path, monkeypatch):
    """Before, a copy of one in UTF-16 was written under a name that nobody gave."""
    monkeypatch.chdir(path.parent)
    strange = path.with_name("utf-16.db")
    with closing(sqlite.connect_to_read(path)) as connection:
        schema = "select sql from sqlite_master where sql is not null order by rowid"
        texts = [sql for (sql,) in connection.execute(schema)]
        version = connection.execute("pragma user_version").fetchone()[0]
    with closing(sqlite.connect_to_write(strange)) as connection:
        connection.execute("pragma encoding = 'UTF-16le'")
        for sql in texts:
            connection.execute(sql)
        connection.execute(f"pragma application_id = {sqlite.APPLICATION_ID}")
        connection.execute(f"pragma user_version = {version}")
    for door in (Reader.open, lambda one: Writer.open(one, VirtualClock())):
        with pytest.raises(StoreError, match="UTF-16le"):
            door(strange)
    with pytest.raises(StoreError, match="UTF-16le"):
        back_up(strange, path.with_name("copy.db"))
    assert all(one.name.isascii() for one in path.parent.iterdir())


def test_what_else_a_database_has_keeps_nobody_from_an_import(path):
    """Before: "table 'words_data' already exists", whatever was imported."""
    plant(path, "create virtual table words using fts5 (word)")
    with staging_beside(path) as staged:
        Writer.open_staging(staged, VirtualClock()).close()
