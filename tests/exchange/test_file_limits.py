"""Files of any size: what is read of one is bounded, said so, and can be raised.

Times are processor time of this process. Before there were bounds, one line of 8,000
digits and a sign took 4.2 s, and 54 kB of Parquet took 3 GB of memory.
"""

import bz2
import gzip
import json
import os
import resource
import subprocess
import sys
import time
import zlib
from dataclasses import fields

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from exchange.test_exports import a_full_run

from benchlog.clock import VirtualClock
from benchlog.errors import DataError, UsageError
from benchlog.exchange.export.export_parquet import ROWS_KEY
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.file_limits import USUAL, FileLimits, LimitError, raised
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.exchange.text_lines import numbered_blocks
from benchlog.units import parse_frequency_hz, parse_tolerance_ppm

ROW = b"16000001.25\n"
DIGITS = b"9" * 8_000
MB = 2**20


@pytest.fixture
def took(writer, tmp_path):
    """Import octets within limits; return the result and the processor time."""

    def of(content: bytes, name: str = "log.txt", **limits: int):
        path = tmp_path / name
        path.write_bytes(content)
        wish = ImportOptions(nominal_hz=16e6, limits=FileLimits(**limits), again=True)
        began = time.process_time()
        result = import_file(path, writer, VirtualClock(), wish)
        return result, time.process_time() - began

    return of


@pytest.mark.parametrize(
    "line", [DIGITS + b"#", b"1." + DIGITS + b"e", DIGITS + b" Hx"]
)
def test_a_number_has_at_most_64_characters(took, line):
    result, seconds = took(ROW * 5 + (line + b"\n") * 10 + ROW * 5)
    assert (result.readings, result.rejected) == (10, 10)
    assert "more than 64 characters" in result.problems[0].reason
    assert seconds < 1.0


def test_64_characters_are_read_and_65_are_not(took):
    fits, long = b"16000001." + b"3" * 55, b"16000001." + b"3" * 56
    result, _ = took(ROW * 3 + fits + b"\n" + long + b"\n")
    assert (result.readings, result.rejected) == (4, 1)


@pytest.mark.parametrize(
    "text",
    [
        b"2026-11-29T10:00:00." + DIGITS + b"Z,16000001.25\n",
        DIGITS + b",16000001.25\n",
        b"16000001.25 " + b"x" * 60_000 + b"1\n",
        b"2026-11-29," + b" " * 60_000 + b"1,16000001.25\n",
        b"000 " * 900 + b"16000001.25\n",
    ],
    ids=["fraction", "time", "unit", "hour", "threes"],
)
def test_no_line_takes_the_square_of_its_length(took, text):
    head = b"t,f" + b" " * 60_000 + b"1\n"
    try:
        _, seconds = took(head + text * 20)
    except DataError:
        return
    assert seconds < 1.5


@pytest.mark.parametrize("read", [parse_frequency_hz, parse_tolerance_ppm])
def test_a_typed_number_has_at_most_64_characters(read):
    with pytest.raises(ValueError, match="more than 64 characters"):
        read("1" * 65 + " Hz")


def test_lines_are_bounded_and_may_be_raised(took):
    with pytest.raises(LimitError, match=r"more than 10 lines.*--limit lines=NUMBER"):
        took(ROW * 11, lines=10)
    assert took(ROW * 11, lines=11)[0].readings == 11


def test_columns_are_bounded_and_may_be_raised(took):
    wide = b",".join([b"16000001.25"] * 30) + b"\n"
    with pytest.raises(LimitError, match=r"more than 20 columns.*--limit columns="):
        took(wide * 5, columns=20)
    assert took(wide * 5, columns=30)[0].readings == 5
    result, _ = took(b"16000001.25,1\n" * 300 + wide, columns=20)
    assert result.problems[0].reason == "more than 20 columns"


def test_a_long_line_is_refused_and_not_cut(took):
    """Half a number would be another number."""
    long = b" " * 95 + b"16000001.25\n"
    result, _ = took(ROW * 3 + long + ROW, characters=100)
    assert (result.readings, result.rejected) == (4, 1)
    assert result.problems[0].reason == "longer than 100 characters"


def test_a_line_without_an_end_is_not_read_for_ever(writer, tmp_path):
    """A hole of 64 GB takes no room on the disk, and a device has no end at all."""
    path = tmp_path / "hole.txt"
    path.write_bytes(ROW * 5)
    os.truncate(path, 64 * 2**30)
    wish = ImportOptions(nominal_hz=16e6, limits=FileLimits(megabytes=1))
    with pytest.raises(LimitError, match=r"line of more than 1 .*--limit megabytes="):
        import_file(path, writer, VirtualClock(), wish)


def test_what_comes_out_of_a_packed_file_is_bounded(took):
    bomb = gzip.compress((b" " * 388 + ROW) * 3_000)
    assert len(bomb) < 10_000
    with pytest.raises(
        LimitError, match=r"expands to more than 1 MB.*--limit megabytes="
    ):
        took(bomb, megabytes=1)
    assert took(bomb, megabytes=2)[0].readings == 3_000


@pytest.mark.parametrize("packed", [gzip.compress, bz2.compress])
def test_a_packed_file_that_ends_in_a_hole_is_not_read_for_ever(
    writer, tmp_path, packed
):
    """A terabyte of it takes no room on the disk, and took an hour."""
    path = tmp_path / "log.txt.gz"
    path.write_bytes(packed(ROW * 5))
    wish = ImportOptions(nominal_hz=16e6, limits=FileLimits(megabytes=2))
    os.truncate(path, MB)
    assert import_file(path, writer, VirtualClock(), wish).readings == 5
    os.truncate(path, 2**40)
    with pytest.raises(LimitError, match="--limit megabytes="):
        import_file(path, writer, VirtualClock(), wish)


# --- Parquet

AMENDMENT = '{"row": "amendment", "kind": "void", "reason": "a", "at_utc_ns": 1}'


@pytest.fixture
def parquet(writer, reader, tmp_path):
    """Write an export as Parquet, changed; return its octets."""
    out = tmp_path / "run.parquet"
    export_run(reader, a_full_run(writer), "parquet", out)

    def of(rows=3, raw=None, packed=None, **how):
        table = pq.read_table(out)
        told = dict(pq.read_metadata(out).metadata)
        told.pop(b"ARROW:schema", None)
        told[ROWS_KEY] = told[ROWS_KEY] if packed is None else packed
        columns = {
            name: pa.array(
                [table.column(name)[0].as_py()] * rows, table.field(name).type
            )
            for name in table.column_names
        }
        columns["raw"] = pa.nulls(rows, pa.string()) if raw is None else raw
        made = tmp_path / "made.parquet"
        schema = pa.schema({name: one.type for name, one in columns.items()}, told)
        pq.write_table(
            pa.table(columns, schema=schema), made, compression="zstd", **how
        )
        return made.read_bytes()

    return of


def test_rows_of_parquet_are_bounded(took, parquet):
    many = parquet(rows=1_000)
    with pytest.raises(LimitError, match=r"more than 999 rows.*--limit lines="):
        took(many, "a.parquet", lines=999)
    assert took(many, "a.parquet", lines=1_000)[0].readings == 1_000


def test_a_cell_of_parquet_is_bounded(took, parquet):
    text = pa.array(["9" * 300_000] * 3).dictionary_encode()
    with pytest.raises(LimitError, match=r"more than 200,000 characters"):
        took(parquet(raw=text), "a.parquet")


def test_one_text_many_times_is_bounded(took, parquet):
    """What takes 100 kB once takes gigabytes in the database."""
    text = pa.array(["9" * 100_000] * 300).dictionary_encode()
    small = parquet(rows=300, raw=text)
    assert len(small) < 30_000
    with pytest.raises(LimitError, match=r"more than 20 MB of text.*--limit megabytes"):
        took(small, "a.parquet", megabytes=20)


@pytest.mark.parametrize(
    ("row", "times"),
    [
        (json.dumps({"row": "event", "text": "9" * 300_000}), 1),
        (AMENDMENT, 20_000),
    ],
    ids=["a long one", "many"],
)
def test_events_packed_into_parquet_are_bounded(took, parquet, row, times):
    bomb = zlib.compress((row + "\n").encode() * times, 1)
    with pytest.raises(LimitError, match=r"--limit (megabytes|characters)="):
        took(parquet(packed=bomb), "a.parquet", megabytes=1)


def test_a_file_that_tells_its_size_is_believed(took, parquet):
    large = parquet(rows=80, raw=pa.array(["9" * 100_000] * 80), use_dictionary=False)
    assert len(large) < 60_000
    with pytest.raises(LimitError, match=r"more than 4 MB of memory.*--limit memory="):
        took(large, "a.parquet", memory=4)


LYING = """
import sys
from pathlib import Path
from benchlog.clock import host_clock
from benchlog.exchange.file_limits import FileLimits, LimitError
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.exchange.text_lines import numbered_blocks
from benchlog.store.writer import Writer
with Writer.open(Path(sys.argv[2]), host_clock()) as writer:
    options = ImportOptions(again=True, limits=FileLimits(memory=1))
    try:
        import_file(Path(sys.argv[1]), writer, host_clock(), options)
    except LimitError as error:
        print(error)
peak = Path("/proc/self/status").read_text().partition("VmHWM:")[2]
print(peak.split()[0], "KB")
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the bound is Linux's")
def test_a_file_that_lies_about_its_size_is_not_believed(parquet, tmp_path):
    """Its foot states pages of 8 kB; together they hold 150 MB.

    Without the bound they take as much memory, and more in the database. It is read in
    a process of its own.
    """
    raw = pa.array([f"{n:06}{'9' * 99_994}" for n in range(1_500)])
    told = parquet(rows=1_500, raw=raw, use_dictionary=False, write_statistics=False)
    file = tmp_path / "lying.parquet"
    file.write_bytes(belittled(told))
    done = subprocess.run(
        [sys.executable, "-c", LYING, str(file), str(tmp_path / "other.db")],
        capture_output=True,
        text=True,
        check=True,
    )
    said, peak = done.stdout.splitlines()
    assert "needs more than 1 MB of memory" in said
    assert int(peak.split()[0]) < 300_000, peak


def belittled(data: bytes) -> bytes:
    """Return a Parquet file whose foot tells small sizes of its columns.

    The foot is Thrift's compact protocol: sizes are zigzag varints (Apache Parquet
    format, file "parquet.thrift"). A small number may be padded to the same length.
    """
    size = pq.ParquetFile(pa.BufferReader(data)).metadata.row_group(0).column(10)
    large = varint(size.total_uncompressed_size)
    foot = len(data) - 8 - int.from_bytes(data[-8:-4], "little")
    small = b"\x82" + b"\x80" * (len(large) - 2) + b"\0"
    assert data.count(large, foot) >= 1
    return data[:foot] + data[foot:].replace(large, small)


def varint(number: int) -> bytes:
    left, out = number << 1, []
    while left > 0x7F:
        out.append(left & 0x7F | 0x80)
        left >>= 7
    return bytes([*out, left])


def test_the_bound_on_memory_is_gone_afterwards(took, parquet):
    before = resource.getrlimit(resource.RLIMIT_AS)
    took(parquet(), "a.parquet")
    assert resource.getrlimit(resource.RLIMIT_AS) == before


# --- the option


def test_each_limit_can_be_raised_by_its_name():
    for one in fields(FileLimits):
        found = raised([f"{one.name}=123456789"])
        assert getattr(found, one.name) == 123_456_789
    assert raised(["lines=5", "columns=6"]) == FileLimits(lines=5, columns=6)
    assert raised([]) == USUAL


@pytest.mark.parametrize(
    "said",
    ["", "lines", "lines=", "lines=-1", "rows=5", "lines=5x", "lines=" + "9" * 30],
)
def test_what_is_no_limit_is_refused(said):
    with pytest.raises(
        UsageError, match="lines, columns, characters, megabytes, memory"
    ):
        raised([said])


def test_a_file_that_somebody_writes_to_is_not_read(tmp_path):
    """Its last number may be half there, and half a number is a number."""
    path = tmp_path / "log.txt"
    path.write_text("16000001.25\n" * 50_000)
    blocks = numbered_blocks(path)
    assert next(blocks).count > 1_000
    with path.open("a") as file:
        file.write("1600")
    with pytest.raises(DataError, match="written to while it was read"):
        list(blocks)
    assert sum(block.count for block in numbered_blocks(path)) == 50_001
