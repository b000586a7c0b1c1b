"""What happens to the host: suspension, stepped clocks, summer time, a filling disk."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from benchlog.clock import Moment, VirtualClock, host_moment, utc_offset_s
from benchlog.model import EventKind
from benchlog.recorder import host_monitor as lookout
from benchlog.recorder.host_monitor import (
    Disk,
    HostMonitor,
    between,
    offset_words,
)

S = 1_000_000_000
BEFORE = Moment(utc_ns=1_800_000_000 * S, awake_ns=50 * S, boot_ns=90 * S)


def later(*, awake_s=1.0, asleep_s=0.0, stepped_s=0.0):
    passed = awake_s + asleep_s
    return Moment(
        BEFORE.utc_ns + int((passed + stepped_s) * S),
        BEFORE.awake_ns + int(awake_s * S),
        BEFORE.boot_ns + int(passed * S),
    )


def test_time_that_passes_is_nothing():
    assert between(BEFORE, later()) == []
    assert between(BEFORE, later(awake_s=3600.0)) == []
    assert between(BEFORE, later(stepped_s=0.2)) == []  # a clock that is disciplined


def test_a_suspended_host_is_no_stepped_clock():
    (noticed,) = between(BEFORE, later(asleep_s=7_380.0))
    assert noticed.kind == EventKind.ASLEEP
    assert noticed.asleep_s == 7_380.0
    assert "2 h 03 min" in noticed.text


@pytest.mark.parametrize("by_s", [-3600.0, 2.5])
def test_a_stepped_clock_is_told_with_its_size(by_s):
    (noticed,) = between(BEFORE, later(stepped_s=by_s))
    assert noticed.kind == EventKind.CLOCK_STEP
    assert f"{by_s:+.3f} s" in noticed.text
    assert not noticed.asleep_s


def test_both_at_once():
    kinds = [n.kind for n in between(BEFORE, later(asleep_s=60, stepped_s=5))]
    assert kinds == [EventKind.ASLEEP, EventKind.CLOCK_STEP]


def test_the_hosts_clocks_are_read_close_together():
    first, second = host_moment(), host_moment()
    assert 0 <= second.awake_ns - first.awake_ns < S
    assert between(first, second) == []


def test_summer_time_is_an_event(tmp_path):
    """Europe's rule: 2027-03-28 01:00 UTC (from memory) ahead one hour."""
    program = (
        "from pathlib import Path\n"
        "from benchlog.clock import VirtualClock\n"
        "from benchlog.recorder.host_monitor import HostMonitor\n"
        "at = 1806195599  # 2027-03-28T00:59:59Z\n"
        "clock = VirtualClock(0, at * 10**9)\n"
        f"lookout = HostMonitor(Path({str(tmp_path)!r}) / 'a.db', clock)\n"
        "lookout.look()\n"
        "clock.sleep(2)\n"
        "print([(n.kind, n.text) for n in lookout.look()])\n"
    )
    zone = {"TZ": "AAA-1BBB,M3.5.0,M10.5.0/3"}
    said = subprocess.run(
        [sys.executable, "-c", program],
        env=os.environ | zone,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "local-time" in said
    assert "from UTC+01:00 to UTC+02:00" in said


def test_offsets_as_words():
    assert [offset_words(s) for s in (0, 3600, -12600, 20700)] == [
        "UTC+00:00", "UTC+01:00", "UTC-03:30", "UTC+05:45",
    ]  # fmt: skip
    assert isinstance(utc_offset_s(0), int)


class Room:
    """A disk whose free bytes are set by hand."""

    def __init__(self, monkeypatch, free):
        self.free = free
        real = os.statvfs("/")
        size = 4096

        def statvfs(_):
            fields = list(real)
            fields[0:2], fields[4] = [size, size], self.free // size
            return os.statvfs_result(fields)

        monkeypatch.setattr(lookout.os, "statvfs", statvfs)


def test_a_disk_is_low_once_and_has_room_again_once(monkeypatch, tmp_path):
    room = Room(monkeypatch, 2_000_000_000)
    disk = Disk(tmp_path)
    assert disk.look() is None
    room.free = 400_000_000
    low = disk.look()
    assert low is not None
    assert low.kind == EventKind.DISK_LOW
    assert "400 MB left" in low.text
    room.free = 530_000_000  # a little more is no change yet
    assert disk.look() is None
    room.free = 900_000_000
    again = disk.look()
    assert again is not None
    assert again.kind == EventKind.STORE_BACK
    assert disk.look() is None


def test_a_disk_that_fills_fast_is_told_early(monkeypatch, tmp_path):
    room = Room(monkeypatch, 20_000_000_000)
    at = host_moment()
    monkeypatch.setattr(lookout, "host_moment", lambda: at)
    disk = Disk(tmp_path)
    room.free = 19_000_000_000
    at = replace(at, boot_ns=at.boot_ns + 700 * S)  # a gigabyte in 700 s
    noticed = disk.look()
    assert noticed is not None
    assert "3 h 41 min at this rate" in noticed.text


def test_a_folder_that_is_gone_is_no_crash(tmp_path):
    disk = Disk(tmp_path / "never")
    assert disk.free_bytes == 0
    assert HostMonitor(Path(tmp_path) / "x.db", VirtualClock()).look() is not None
