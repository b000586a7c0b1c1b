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
