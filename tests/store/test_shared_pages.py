"""A database of which thousands of rows have one long text, made page by page.

Layout: the SQLite file format (sqlite.org/fileformat2.html, 1.6), from memory. Before,
5 MB took 7 GB of memory when shown, and as much of the disk when merged.
"""

import shutil
import struct
from contextlib import closing

import pytest
from store.making import begin, reading

from benchlog.clock import VirtualClock
from benchlog.errors import StoreDamagedError
from benchlog.model import Event
from benchlog.store.backup import back_up
from benchlog.store.integrity.examination import examine
from benchlog.store.integrity.shared_pages import refuse_shared
from benchlog.store.reader import Reader
from benchlog.store.sqlite import sqlite3
from benchlog.store.writer import Writer

pytestmark = pytest.mark.skipif(
    sqlite3.sqlite_version_info < (3, 43), reason="octet_length is of 3.43"
)
LETTERS, LEAVES = 205_100, 20  # of which little is in the page of the row
LEAF, INTERIOR = 13, 5
ROOT = "select rootpage from sqlite_master where name = 'events'"


def varint(data, at):
    value = 0
    while True:
        value = value << 7 | data[at] & 0x7F
        at += 1
        if data[at - 1] < 0x80:
            return value, at


def as_varint(value):
    octets = [value & 0x7F]
    while value := value >> 7:
        octets.append(value & 0x7F | 0x80)
    return bytes(reversed(octets))


def page_of(kind, cells, size, right=b""):
    """Return a page of a table's tree; the first cell has the smallest key."""
    page, at, head = bytearray(size), size, 8 + len(right)
    for number, cell in enumerate(cells):
        at -= len(cell)
        page[at : at + len(cell)] = cell
        struct.pack_into(">H", page, head + 2 * number, at)
    struct.pack_into(">BHHH", page, 0, kind, 0, len(cells), at)
    page[8:head] = right
    assert head + 2 * len(cells) <= at
    return page


def share(path, root):
    """Let many rows have the text of the last row of a table of one page."""
    data = bytearray(path.read_bytes())
    size = struct.unpack_from(">H", data, 16)[0]
    old = bytes(data[(root - 1) * size : root * size])
    assert old[0] == LEAF
    last = struct.unpack_from(">H", old, 8 + 2 * (old[4] - 1))[0]
    payload, at = varint(old, last)
    row, at = varint(old, at)
    smallest = (size - 12) * 32 // 255 - 23
    local = smallest + (payload - smallest) % (size - 4)
    local = local if local <= size - 35 else smallest
    body = old[at : at + local + 4]
    each = (size - 8) // (len(body) + 12)
    leaves = [(old, row)]
    for first in range(row + 1, row + 1 + LEAVES * each, each):
        cells = [
            as_varint(payload) + as_varint(n) + body for n in range(first, first + each)
        ]
        leaves.append((page_of(LEAF, cells, size), first + each - 1))
    pointers = []
    for page, newest in leaves:
        data += page
        pointers.append((struct.pack(">I", len(data) // size), newest))
    cells = [number + as_varint(newest) for number, newest in pointers[:-1]]
    data[(root - 1) * size : root * size] = page_of(
        INTERIOR, cells, size, pointers[-1][0]
    )
    struct.pack_into(">I", data, 28, len(data) // size)
    path.write_bytes(data)


@pytest.fixture
def sound(tmp_path):
    path = tmp_path / "made-here.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        told = (reading(n, raw="8" * 100) for n in range(20))
        writer.commit([(run, segment, one) for one in told])
        writer.commit([(run, segment, Event(1, 1, "note", "x" * LETTERS))])
        writer.end_run(run, "stopped")
    return path


@pytest.fixture
def shared(sound, tmp_path):
    path = tmp_path / "stranger.db"
    shutil.copy(sound, path)
    with closing(sqlite3.connect(path)) as link:
        link.execute("drop index idx_events_run_id")  # it would not lead to all rows
        root = link.execute(ROOT).fetchone()[0]
        link.commit()
        link.execute("pragma journal_mode=delete")
    share(path, root)
    with closing(sqlite3.connect(path)) as link:
        ((held,),) = link.execute("select sum(octet_length(text)) from events")
    assert held > 20 * path.stat().st_size
    return path


def test_it_is_neither_read_nor_copied_nor_merged(shared, sound, tmp_path):
    with pytest.raises(StoreDamagedError, match="rows hold more than"):
        Reader.open(shared)
    with pytest.raises(StoreDamagedError, match="rows hold more than"):
        back_up(shared, tmp_path / "copy.db")
    before = sound.stat().st_size
    with Writer.open(sound, VirtualClock()) as writer:
        with pytest.raises(StoreDamagedError, match="rows hold more than"):
            writer.merge(shared)
        with Reader.open(sound) as reader:
            assert len(list(reader.all_runs())) == 1
    assert sound.stat().st_size == before
    assert "rows hold more than" in examine(shared)[0].what


def test_a_copy_of_a_sound_one_is_read_and_merged(sound, tmp_path):
    copy = tmp_path / "copy.db"
    shutil.copy(sound, copy)
    with Reader.open(copy) as reader:
        assert len(reader.events(1)[0][1].text) == LETTERS
    with Writer.open(tmp_path / "all.db", VirtualClock()) as writer:
        assert len(writer.merge(copy).brought) == 1


def test_many_rows_are_counted_piece_by_piece(sound, monkeypatch):
    monkeypatch.setattr("benchlog.store.integrity.shared_pages._AT_ONCE", 3)
    with closing(sqlite3.connect(sound)) as link:
        refuse_shared(link, sound)
        with pytest.raises(StoreDamagedError):
            refuse_shared(link, sound, ["readings"] * 1_000)
