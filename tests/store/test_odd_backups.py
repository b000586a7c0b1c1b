"""Backups of databases with rows that cannot be, or with a stranger's triggers."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest
from store.making import begin, rows

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError
from benchlog.model import Purpose
from benchlog.store import sqlite
from benchlog.store.backup import back_up
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"


def with_a_bad_row(path, change):
    """Change rows as a stranger's program can: types and triggers hold nobody back."""
    with closing(sqlite.connect_to_write(path)) as connection:
        tables = "select name, sql from sqlite_master where type = 'table'"
        guards = "select name, sql from sqlite_master where type = 'trigger'"
        kept = connection.execute(tables).fetchall()
        triggers = connection.execute(guards).fetchall()
        for name, _ in triggers:
            connection.execute(f"drop trigger {name}")
        loose = [(sql.replace(" STRICT", ""), name) for name, sql in kept]
        for texts in (loose, [(sql, name) for name, sql in kept]):
            connection.execute("pragma writable_schema=on")
            connection.executemany(
                "update sqlite_master set sql = ? where name = ?", texts
            )
            connection.execute("pragma writable_schema=reset")
            if texts is loose:
                connection.execute(change)
        for _, sql in triggers:
            connection.execute(sql)


def test_a_bad_row_keeps_nobody_from_a_backup(tmp_path):
    """Before, a backup was refused: "the copy is damaged", or "refuses a row"."""
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for device in ("D1", "D2", "OPEN"):
            run, segment = begin(writer, device, purpose=Purpose.SOAK)
            writer.commit(rows(run, segment, 5))
            if device != "OPEN":
                writer.end_run(run, "stopped")
    with_a_bad_row(path, f"update runs set operator = x'00ff' where id in (1, {run})")
    to = tmp_path / "copy.db"
    assert back_up(path, to).open_runs == (run,)
    with closing(sqlite.connect_to_read(to)) as connection:
        asked = "select id, operator, control from runs order by id"
        found = connection.execute(asked).fetchall()
    assert found[0][:2] == (1, b"\x00\xff")
    assert found[-1] == (run, b"\x00\xff", "")
    with Reader.open(to) as reader:
        assert [one.id for one in reader.runs()] == [2]
        assert reader.count(run) == 5


def test_a_backup_of_an_old_file_runs_nothing_of_its_maker_s(tmp_path):
    """Before, a trigger took all readings out of the copy, or never ended."""
    path, to = tmp_path / "old.db", tmp_path / "copy.db"
    shutil.copy(CORPUS / "schema-1.db", path)
    with closing(sqlite.connect_to_write(path)) as connection:
        for guard in ("runs_keep_on_update", "readings_keep_on_delete"):
            connection.execute(f"drop trigger {guard}")
        connection.execute("update runs set ended_utc_ns = null")
        connection.execute(
            "create trigger theirs after update on runs begin delete from readings; end"
        )
    with pytest.raises(StoreError, match="theirs"):
        back_up(path, to)
    assert not to.exists()
