"""Compressed text files are read as what is in them, and no bomb fills the machine."""

import bz2
import gzip
import lzma
import sys
import zlib
from dataclasses import replace

import pytest
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.errors import DataError
from benchlog.exchange.file_limits import FileLimits
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions

TEXT = "".join(f"{i} {16_000_000 + i % 7}.25\n" for i in range(5_000)).encode()
PACKERS = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress}
WISH = ImportOptions(nominal_hz=16e6)


@pytest.fixture
def imported(writer, tmp_path):
    def of(content, name="log.txt.gz", progress=None, wish=WISH):
        path = tmp_path / name
        path.write_bytes(content)
        return import_file(path, writer, VirtualClock(), wish, progress)

    return of


@pytest.mark.parametrize("kind", PACKERS)
def test_each_kind_is_read_whatever_its_name(imported, reader, kind):
    packed = PACKERS[kind](TEXT)
    plain = reader.columns_after(imported(TEXT, "plain.txt").run)
    told = []
    result = imported(packed, f"KX-0412.txt.{kind}", lambda *done: told.append(done))
    found = reader.columns_after(result.run)
    assert found.frequency_hz.tobytes() == plain.frequency_hz.tobytes()
    assert (found.mono_ns == plain.mono_ns).all()
    assert reader.run(result.run).device == "KX-0412"
    assert told[-1] == (len(packed), len(packed))
    assert imported(packed, "without-suffix").readings == 5_000


@pytest.mark.parametrize("kind", PACKERS)
def test_members_one_behind_the_other_are_one_text(imported, kind):
    pack = PACKERS[kind]
    half = TEXT.index(b"2500 ")
    both = pack(TEXT[:half]) + pack(TEXT[half:])
    assert imported(both).readings == 5_000


def test_utf_16_is_found_inside(imported):
    packed = gzip.compress(TEXT.decode().encode("utf-16"))
    assert imported(packed).readings == 5_000


@pytest.mark.parametrize("kind", ["gz", seldom("bz2"), "xz"])
def test_what_expands_beyond_the_bound_is_refused(imported, kind):
    small = replace(WISH, limits=FileLimits(megabytes=1))
    assert imported(PACKERS[kind](TEXT), wish=small).readings == 5_000
    bomb = PACKERS[kind](b"16000001.25\n" * 90_000)
    assert len(bomb) < 10_000
    with pytest.raises(DataError, match="expands to more than 1 MB"):
        imported(bomb, wish=small)


@pytest.mark.parametrize("kind", PACKERS)
def test_a_damaged_file_is_an_error_and_not_a_traceback(imported, kind):
    packed = PACKERS[kind](TEXT)
    with pytest.raises(DataError, match="cannot be read"):
        imported(packed[: len(packed) // 2])
    middle = len(packed) // 2
    broken = packed[:middle] + bytes(64) + packed[middle + 64 :]
    with pytest.raises(DataError, match="cannot be read"):
        imported(broken)
    with pytest.raises(DataError, match="cannot be read"):
        imported(packed + b"something else")


def test_xz_may_not_ask_for_any_amount_of_memory(imported):
    filters = [{"id": lzma.FILTER_LZMA2, "dict_size": 2**30}]
    packer = lzma.LZMACompressor(filters=[{**filters[0], "dict_size": 2**20}])
    packed = bytearray(packer.compress(TEXT) + packer.flush())
    # the dictionary's size is one octet of the block header (.xz format 1.1, 5.3.1);
    # the CRC32 at its end is made anew
    at = packed.index(b"\x21\x01", 12) + 2
    packed[at] = 36  # 2^30: 2 | (36 & 1) << (36 / 2 + 11)
    end = 12 + (packed[12] + 1) * 4
    packed[end - 4 : end] = zlib.crc32(packed[12 : end - 4]).to_bytes(4, "little")
    with pytest.raises(DataError, match=r"cannot be read: Memory usage limit"):
        imported(bytes(packed), "big.xz")


@pytest.mark.skipif(sys.version_info >= (3, 14), reason="this Python reads zstd")
def test_zstd_says_what_to_do(imported):
    with pytest.raises(DataError, match=r"zstd, which only Python 3\.14"):
        imported(b"\x28\xb5\x2f\xfd" + bytes(20))
