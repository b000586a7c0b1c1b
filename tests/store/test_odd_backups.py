"""Backups of databases with rows that cannot be, or with a stranger's triggers."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest
from store.making import begin, rows

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError, UsageError
from benchlog.model import Purpose
from benchlog.store import sqlite
from benchlog.store.backup import back_up
from benchlog.store.integrity.examination import look_at_pages
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


@pytest.fixture
def monday(tmp_path):
    """A backup, and a database that a killed keeper left with rows in its log."""
    kept, left = tmp_path / "kept.db", tmp_path / "left.db"
    with Writer.open(kept, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 50))
        back_up(kept, tmp_path / "monday.db")
        writer.commit(rows(run, segment, 3_000, first=50))
        for ending in ("", "-wal", "-shm"):
            shutil.copy(f"{kept}{ending}", f"{left}{ending}")
    assert Path(f"{left}-wal").stat().st_size > 0
    return tmp_path / "monday.db"


def test_a_log_of_before_is_not_taken_for_that_of_a_copy(monday, tmp_path):
    """Before, both were lost: the copy was malformed, and told to be whole."""
    left = tmp_path / "left.db"
    assert back_up(monday, left, overwrite=True).readings == 50
    with Reader.open(left) as reader:
        assert reader.count(1) == 50
    assert look_at_pages(left) == ""
    assert sorted(one.name for one in tmp_path.glob("left.db*")) == ["left.db"]


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_a_log_whose_database_is_gone_is_in_the_way_of_a_copy(monday, tmp_path, ending):
    left, log = tmp_path / "left.db", tmp_path / "left.db-wal"
    left.unlink()
    log = log.rename(f"{left}{ending}")
    with pytest.raises(UsageError, match=f"left.db{ending} is a log"):
        back_up(monday, left)
    assert log.stat().st_size and not left.exists()


def test_a_database_that_somebody_has_open_is_not_replaced(monday, tmp_path):
    kept = tmp_path / "kept.db"
    with Writer.open(kept, VirtualClock()) as writer:
        with pytest.raises(UsageError, match=r"another program has .*kept\.db open"):
            back_up(monday, kept, overwrite=True)
        run, segment = begin(writer, "D2")
        writer.commit(rows(run, segment, 5))
    with Reader.open(kept) as reader:
        assert (reader.count(1), reader.count(run)) == (3_050, 5)


def test_a_log_that_goes_with_no_database_is_told(monday, tmp_path):
    left = tmp_path / "left.db"
    left.write_bytes(b"no database, and nothing of one" * 100)
    (tmp_path / "left.db-wal").write_bytes(b"no log" * 100)
    with pytest.raises(UsageError, match="do not go together"):
        back_up(monday, left, overwrite=True)
    assert left.read_bytes().startswith(b"no database")
