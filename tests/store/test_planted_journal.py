"""A journal that came with a stranger's database has no other file removed.

Layout: SQLite's "Database File Format", section 3, and for the name of a further file
at its end `readSuperJournal` in SQLite's pager.c (from memory).
"""

import struct
from contextlib import closing

import pytest
from store.making import clock_of, fresh_writer

from benchlog.errors import StoreError
from benchlog.store import sqlite
from benchlog.store.writer import Writer

MAGIC = bytes.fromhex("d9d505f920a163d7")
SECTOR, PAGE = 512, 4_096


@pytest.fixture
def writer(tmp_path):
    yield from fresh_writer(tmp_path)


def planted(database, victim):
    """Leave a journal of no pages that names a file to remove."""
    with closing(sqlite.connect_to_write(database)) as connection:
        assert connection.execute("pragma journal_mode=delete").fetchone() == (
            "delete",
        )
        (pages,) = connection.execute("pragma page_count").fetchone()
    name = bytes(victim)
    head = MAGIC + struct.pack(">5I", 0, 1, pages, SECTOR, PAGE)
    told = struct.pack(">2I", len(name), sum(name))
    locked_page = struct.pack(">I", 2**30 // PAGE + 1)
    journal = database.with_name(f"{database.name}-journal")
    journal.write_bytes(head.ljust(SECTOR, b"\0") + locked_page + name + told + MAGIC)
    return journal


def test_a_journal_has_no_other_file_removed(writer, tmp_path):
    victim = tmp_path / "precious"
    victim.write_text("kept")
    clock = clock_of(writer)
    writer.close()
    journal = planted(writer.path, victim)
    with pytest.raises(StoreError, match="would remove the file that it names"):
        Writer.open(writer.path, clock)
    assert victim.read_text() == "kept" and journal.exists()
    journal.unlink()
    Writer.open(writer.path, clock).close()  # nothing of the database was lost
