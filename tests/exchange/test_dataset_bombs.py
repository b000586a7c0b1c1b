"""Files of kilobytes in a dataset that stand for gigabytes: refused in a sentence.

Each list is asked in a process of its own, and looked at by how much its memory grew.
Before, 217 kB took 0.9 GB. The bound on memory that pyarrow takes holds on Linux.
"""

import os
import sys
from uuid import UUID

import numpy as np
import pyarrow as pa
import pytest
from click.testing import CliRunner
from exchange.factory import bench_database
from exchange.test_file_limits import varint
from pyarrow import parquet as pq
from seeds import seeded_generator
from tiers import seldom
from warm_program import run

from benchlog.cli import root
from benchlog.errors import DataError
from benchlog.exchange.dataset import parquet_files
from benchlog.exchange.dataset.compact import compact
from benchlog.exchange.dataset.parquet_files import RAISE, MemoryAllowance
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader

MB = 2**20
LISTS = {"runs": ("runs", "chips"), "lots": ("lots",)}
"""Which lists read a kind of file."""
PEAK_MB = 390
"""Beyond what a process takes before it is asked, which had 170 of 560 MB: 64 may be
used, the others are slack."""
ASKED = """
import resource, sys
from click.testing import CliRunner
from benchlog.cli import root
def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
import pyarrow.parquet
before = peak_mb()
done = CliRunner().invoke(root, sys.argv[1:])
print(done.exit_code, peak_mb() - before)
print(done.stderr if done.exit_code else len(done.stdout))
"""


@pytest.fixture
def dataset(tmp_path):
    with Reader.open(bench_database(tmp_path, 1, 1, 2)) as reader:
        write_dataset(reader, tmp_path / "made")
    return tmp_path / "made"


def file_of(dataset, kind):
    found = dataset.rglob("*.parquet")
    return next(one for one in found if one.relative_to(dataset).parts[0] == kind)


def asked(command, dataset, **more):
    """Ask for a list; return what it told, and by how many MB its memory grew."""
    line = [command, "--dataset", str(dataset)]
    line += ["--lot", "1-000/a=b"] if command == "chips" else []
    done = run(
        [sys.executable, "-c", ASKED, *line],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | more,
    )
    codes, told = done.stdout.split("\n", 1)
    code, peak = map(int, codes.split())
    return code, told, peak


def many_rows(path, rows=200_000):
    """Repeat the first row of a file; of runs that is 0.2 octets a row."""
    one = pq.ParquetFile(path).read().slice(0, 1)
    columns = [pa.repeat(column[0], rows) for column in one.columns]
    pq.write_table(pa.table(columns, names=one.column_names), path, compression="zstd")


def long_text(path, letters=120 * MB):
    whole = pq.ParquetFile(path).read()
    letters //= whole.num_rows
    at = whole.schema.get_field_index("lot")
    texts = pa.repeat(pa.scalar("x" * letters, pa.large_string()), whole.num_rows)
    whole = whole.set_column(at, "lot", texts)
    how = {"use_dictionary": False, "write_statistics": False}  # they take 2 s
    pq.write_table(whole, path, compression="zstd", **how)


def same_text(path, rows=10_000, letters=30_000):
    """Make rows that differ, each with one long text that the file has once.

    What the file tells of its size is true, and small: the dictionary is. Read out it
    is 300 MB.
    """
    one = pq.ParquetFile(path).read().slice(0, 1)
    columns = {n: pa.repeat(one.column(n)[0], rows) for n in one.column_names}
    octets = seeded_generator(4).bytes(16 * rows)
    uids = [str(UUID(bytes=octets[at : at + 16])) for at in range(0, 16 * rows, 16)]
    columns["source"] = pa.array(uids)
    name = "device" if "device" in columns else "supplier"
    columns[name] = pa.repeat(pa.scalar("x" * letters), rows)
    pq.write_table(pa.table(columns), path, compression="zstd")


def lying(path, letters=100 * MB):
    """Make a long text whose foot tells small sizes of it."""
    long_text(path, letters)
    data = path.read_bytes()
    group = pq.ParquetFile(path).metadata.row_group(0)
    foot = len(data) - 8 - int.from_bytes(data[-8:-4], "little")
    told = data[foot:]
    sizes = [group.total_byte_size]
    sizes += [group.column(n).total_uncompressed_size for n in range(group.num_columns)]
    for size in sizes:
        if size > MB:
            large = varint(size)
            small = b"\x82" + b"\x80" * (len(large) - 2) + b"\0"
            told = told.replace(large, small)
    path.write_bytes(data[:foot] + told)
    assert pq.ParquetFile(path).metadata.row_group(0).total_byte_size < MB


def lying_much(path):
    """Make one that takes more than a process may: only the bound itself holds it."""
    lying(path, 360 * MB)


BOMBS = [("runs", lying), ("lots", many_rows)]
MORE = [
    *(("runs", many_rows), ("runs", long_text), ("runs", lying_much)),
    *(("lots", same_text), ("lots", long_text), ("runs", same_text)),
]
"""Those above on the other kind of file, one that is larger, and one text many times:
many small ones of it are below."""


@pytest.mark.parametrize(
    ("kind", "bomb"),
    [*BOMBS, *(pytest.param(*one, marks=pytest.mark.campaign) for one in MORE)],
)
def test_a_bomb_is_refused_in_a_sentence(dataset, bomb, kind):
    path = file_of(dataset, kind)
    bomb(path)
    assert path.stat().st_size < MB
    for command in LISTS[kind]:
        code, told, peak = asked(command, dataset)
        assert code == 1, told
        assert str(path) in told and "move it away" in told
        assert len(told) < 1_000
        assert peak < PEAK_MB


def test_many_small_bombs_have_one_bound(dataset):
    """Each of them alone is within it."""
    path = file_of(dataset, "lots")
    same_text(path, rows=600, letters=30_000)
    octets = path.read_bytes()
    for n in range(60):
        (path.parent / f"{n}.parquet").write_bytes(octets)
    code, told, peak = asked("lots", dataset)
    assert (code, peak < PEAK_MB) == (1, True), (told, peak)
    assert RAISE in told


def test_what_is_meant_is_read_where_a_person_allows_it(dataset):
    path = file_of(dataset, "runs")
    same_text(path, rows=600, letters=150_000)
    code, told, _ = asked("runs", dataset)
    assert (code, f"set {RAISE}" in told) == (1, True)
    assert asked("runs", dataset, **{RAISE: "900"})[0] == 0


def test_a_hole_of_many_gigabytes_is_not_read(dataset):
    for kind, commands in LISTS.items():
        path = file_of(dataset, kind)
        os.truncate(path, 16 * 2**30)
        for command in commands:
            code, told, peak = asked(command, dataset)
            assert (code, peak < PEAK_MB) == (1, True)
            assert f"{path} is larger than the 1,024 MB" in told


def test_the_allowance_is_of_all_files_together():
    one = MemoryAllowance(left=100, spare=10)
    assert one.of_file(2) == 74
    one.note(2, 70)
    assert (one.left, one.spare, one.of_file(2)) == (30, 4, 30)


@pytest.mark.parametrize("bomb", [many_rows, seldom(long_text)])
def test_readings_are_copied_within_a_bound(dataset, tmp_path, bomb, monkeypatch):
    monkeypatch.setattr(parquet_files, "_PIECE_MB", 16)
    with Reader.open(bench_database(tmp_path, 2, 1, 2)) as reader:
        write_dataset(reader, dataset)
    path = file_of(dataset, "readings")
    bomb(path)
    before = {one.name for one in dataset.rglob("*.parquet")}
    with pytest.raises(DataError, match="move it away") as told:
        compact(dataset)
    assert path.name in str(told.value)
    assert before == {one.name for one in dataset.rglob("*.parquet")}


def test_the_smallest_sound_readings_are_within_the_bound(dataset, tmp_path):
    """A gate of a virtual clock, one value for ever: 3 octets a reading."""
    rows = 300_000
    path = file_of(dataset, "readings")
    one = pq.ParquetFile(path).read().slice(0, 1)
    columns = {n: pa.repeat(one.column(n)[0], rows) for n in one.column_names}
    stamps = np.arange(rows) * 10**8 + 1_900_000_000 * 10**9
    columns |= {"utc_ns": pa.array(stamps), "mono_ns": pa.array(stamps)}
    columns["utc"] = pa.array(stamps // 1_000, pa.timestamp("us", tz="UTC"))
    pq.write_table(pa.table(columns), path, compression="zstd")
    assert path.stat().st_size > 2 * rows
    with Reader.open(bench_database(tmp_path, 2, 1, 2)) as reader:
        write_dataset(reader, dataset)
    compact(dataset)


def test_what_is_sound_is_read_within_the_bound(dataset):
    assert CliRunner().invoke(root, ["runs", "--dataset", str(dataset)]).exit_code == 0
