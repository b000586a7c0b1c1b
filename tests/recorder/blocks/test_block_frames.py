"""Blocks through the pipe: as they were, or no message at all."""

import os
import threading

import numpy as np
import pytest
from seeds import seeded_random

from benchlog.clock import HostClock, host_sleep
from benchlog.driver_blocks import check_block_stamps, checked_block
from benchlog.errors import DriverFaultError
from benchlog.model import MOST_READINGS, Flag, SampleBlock
from benchlog.recorder.instruments.instrument_messages import GotBlock
from benchlog.recorder.instruments.message_wire import (
    HEAD,
    ForeignBytesError,
    from_body,
    to_frame,
)
from benchlog.recorder.instruments.outgoing import Outgoing


def block_of(count=3, **more) -> SampleBlock:
    given = {
        "values": 16e6 + np.arange(float(count)),
        "mono_ns": 1000 + np.arange(count),
        "utc_ahead_ns": 5,
        "unit": "Hz",
        "gate_s": 1e-5,
    }
    return SampleBlock(**{**given, **more})


def body_of(block: SampleBlock, stalled_s=0.0) -> bytes:
    return to_frame(GotBlock(block, stalled_s))[HEAD.size :]


def same(one: SampleBlock, other: SampleBlock) -> bool:
    return all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True)
        if isinstance(getattr(one, name), np.ndarray)
        else getattr(one, name) == getattr(other, name)
        for name in SampleBlock.__slots__
    )


@pytest.mark.parametrize(
    "block",
    [
        block_of(),
        block_of(values=np.array([np.nan, np.inf, -0.0])),
        block_of(breaks=(0, 2), lost=7, step=0.1, raw=b"\x00\xff", flags=Flag.NO_FIX),
        block_of(2, texts=("1.5", "2.5")),
        block_of(MOST_READINGS),
    ],
)
def test_a_block_comes_out_as_it_went_in(block) -> None:
    got = from_body(body_of(block, 2.5))
    assert isinstance(got, GotBlock) and got.stalled_s == 2.5
    assert same(got.block, block)


def test_octets_that_are_no_block_are_no_message() -> None:
    random = seeded_random("block frames")
    good = body_of(block_of(4, breaks=(1,), texts=("1", "2", "3", "4")))
    for _ in range(3_000):
        body = bytearray(good)
        for _ in range(random.randint(1, 4)):
            body[random.randrange(len(body))] = random.randrange(256)
        body = bytes(body[: random.choice([len(body), random.randrange(len(body))])])
        try:
            message = from_body(body)
        except ForeignBytesError:
            continue
        if isinstance(message, GotBlock):
            checked_block(message.block, "Hz")


@pytest.mark.parametrize(
    "head",
    [b"[]", b"[1e400]", b"[4611686018427387904]", b"[" * 5_000, b'["a"]', b"null"],
)
def test_a_head_that_lies_is_no_message(head) -> None:
    with pytest.raises(ForeignBytesError):
        from_body(b"B" + HEAD.pack(len(head)) + head + bytes(48))
    with pytest.raises(ForeignBytesError):
        from_body(b"B" + HEAD.pack(2**32 - 1) + head)


@pytest.mark.parametrize(
    "wrong",
    [
        {"values": [1.0, 2.0, 3.0]},
        {"values": np.array([1, 2, 3])},
        {"values": np.array([1.0, 2.0])},
        {"values": np.zeros((3, 1))},
        {"values": np.empty(0), "mono_ns": np.empty(0, np.int64)},
        {"values": np.zeros(MOST_READINGS + 1)},
        {"mono_ns": np.array([1.0, 2.0, 3.0])},
        {"unit": "V"},
        {"gate_s": -1.0},
        {"gate_s": float("nan")},
        {"breaks": (3,)},
        {"breaks": (1, 1)},
        {"breaks": [0]},
        {"breaks": (True,)},
        {"lost": -1},
        {"lost": 2**64},
        {"texts": ("1",)},
        {"texts": (1, 2, 3)},
        {"raw": "text"},
        {"step": 0.0},
        {"flags": Flag.SETTLING},
        {"utc_ahead_ns": 1.5},
    ],
)
def test_a_driver_is_told_what_is_wrong_with_its_block(wrong) -> None:
    with pytest.raises(DriverFaultError):
        checked_block(block_of(**wrong), "Hz")


def test_no_reading_is_from_before_its_counter_was_opened_or_to_come() -> None:
    good = block_of(mono_ns=np.array([10**10, 10**10 + 1, 10**10 + 2]))
    check_block_stamps(good, 10**10, 10**10)
    for opened, now in ((2 * 10**10, 3 * 10**10), (0, 10**9)):
        with pytest.raises(DriverFaultError):
            check_block_stamps(good, opened, now)
    back = block_of(mono_ns=np.array([10**10, 10**10 + 2, 10**10 + 1]))
    with pytest.raises(DriverFaultError):
        check_block_stamps(back, 10**10, 10**10)


def test_frames_wait_in_their_order_up_to_a_bound() -> None:
    read_fd, write_fd = os.pipe()
    outgoing = Outgoing(write_fd, room_bytes=1 << 20)
    frames = [bytes([n]) * 100_000 for n in range(30)]
    waits = []

    def put() -> None:
        waits.extend(outgoing.put(frame) for frame in frames)

    thread = threading.Thread(target=put)
    thread.start()
    before = 0
    while len(waits) > before or not waits:  # until it waits for room
        before = len(waits)
        host_sleep(0.2)
    assert 10 <= before < 15  # a pipe holds some besides
    arrived = b""
    while len(arrived) < 3_000_000:
        arrived += os.read(read_fd, 1 << 16)
    thread.join(5.0)
    assert arrived == b"".join(frames)
    assert max(waits) > 0.1 and len(waits) == 30
    os.close(read_fd)
    os.close(write_fd)


def test_whoever_sends_learns_that_the_keeper_is_gone() -> None:
    read_fd, write_fd = os.pipe()
    outgoing = Outgoing(write_fd, room_bytes=1_000)
    os.close(read_fd)
    limit_ns = HostClock().mono_ns() + 5 * 10**9
    with pytest.raises(BrokenPipeError):
        while HostClock().mono_ns() < limit_ns:
            outgoing.put(bytes(600))
    os.close(write_fd)
