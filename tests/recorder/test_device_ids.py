"""Ids of a lot from a list or another program: each one line, none too long."""

import os
import selectors

import pytest

from benchlog.errors import UsageError
from benchlog.recorder.lot.device_ids import Ids


def test_what_is_no_id_is_told_and_never_measured():
    read, write = os.pipe()
    os.write(write, b"KX-1\nKX\t2\n\n" + b"K" * 121 + b"\nKX-3\r\n")
    os.close(write)
    ids = Ids(["KX-0", "KX\t9"], fd=read)
    while not ids.ended:
        ids.read()
    os.close(read)
    assert [ids.next_id() for _ in range(4)] == ["KX-0", "KX-1", "KX-3", None]
    assert ids.refused == ["KX\t9", "KX\t2", "K" * 121]


def test_a_list_in_a_file_is_told_from_ids_that_come(tmp_path):
    """Devices of a list are in their places; those that come were put in just now."""
    (tmp_path / "ids").write_text("KX-1\n")
    with (tmp_path / "ids").open() as listed:
        assert Ids(fd=listed.fileno()).in_file
    assert Ids(["KX-1"]).in_file
    read, write = os.pipe()
    os.close(write)
    assert not Ids(fd=read).in_file
    os.close(read)


def test_the_code_of_a_label_may_be_longer_than_an_id():
    uid = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6"
    code = f"https://records.example/{'a' * 100}/{uid}"
    ids = Ids([code, code[:-1]])
    assert [ids.next_id(), ids.next_id()] == [code, None]
    assert ids.refused == [code[:-1]]


def test_a_line_without_an_end_takes_no_memory():
    read, write = os.pipe()
    ids = Ids(fd=read)
    for _ in range(200):
        os.write(write, b"K" * 60_000)
        ids.read()
    assert len(ids._half) < 10_000  # private: what it keeps shows nowhere else
    os.write(write, b"\nKX-1\n")
    os.close(write)
    while not ids.ended:
        ids.read()
    os.close(read)
    assert [len(line) < 10_000 for line in ids.refused] == [True]
    assert ids.next_id() == "KX-1"


def test_lines_without_an_end_wait_where_they_come_from():
    read, write = os.pipe()
    ids = Ids(fd=read)
    selector = selectors.DefaultSelector()
    for line in (b"KX-1\n", b"K\tX\n"):
        ids.be_heard(selector)
        while selector.get_map():
            os.write(write, line * 1_000)
            ids.read()
            ids.be_heard(selector)
        assert ids.full
        while ids.next_id() is not None:
            pass
    assert ids.full  # what is refused has not been told yet
    ids.refused.clear()
    ids.be_heard(selector)
    assert list(selector.get_map()) == [read]
    selector.close()
    os.close(write)
    os.close(read)


def test_a_file_that_is_no_list_is_refused(tmp_path):
    path = tmp_path / "hole"
    with path.open("wb") as file:
        file.truncate(2**34)
    with path.open("rb") as file, pytest.raises(UsageError, match="list of ids"):
        Ids(fd=file.fileno())
