"""Ids of a lot from a list or another program: each one line, none too long."""

import os

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


def test_the_code_of_a_label_may_be_longer_than_an_id():
    uid = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6"
    code = f"https://records.example/{'a' * 100}/{uid}"
    ids = Ids([code, code[:-1]])
    assert [ids.next_id(), ids.next_id()] == [code, None]
    assert ids.refused == [code[:-1]]
