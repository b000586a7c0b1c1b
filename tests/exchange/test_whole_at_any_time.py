"""At any moment of an export a dataset has each run that it had, with its readings.

Whoever looks on meanwhile, and whoever is killed, leaves it so.
"""

from dataclasses import replace
from pathlib import Path

import pytest
from store.making import PART, begin, rows

from benchlog.cli.run_result import evaluated
from benchlog.cli.tasks.amending import against, verdict_again
from benchlog.clock import VirtualClock
from benchlog.exchange.dataset.local_folder import LocalFolder
from benchlog.exchange.dataset.packs import (
    READINGS,
    RUNS,
    Pack,
    packs_of,
    read_runs_of,
    readings_of_pack,
    remove_pack,
)
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

COUNT = 4
"""Readings of each run."""
BEGUN = {1: "m-part", 2: "a-part", 3: "m-part", 4: "z-part"}
"""The part of each run."""


class WatchedFolder(LocalFolder):
    """A folder that is looked at after each change."""

    def __init__(self, path):
        super().__init__(path)
        self.least, self.looks = set(), 0
        self.most = None
        self.known = {}

    def put(self, name, data):
        super().put(name, data)
        self.look()

    def remove(self, name):
        super().remove(name)
        self.look()

    def look(self):
        self.looks += 1
        assert self.runs() >= self.least
        if self.looks == self.most:
            raise KeyboardInterrupt

    def runs(self):
        """Return the UUIDs of the runs that are told; each has its readings."""
        found = set()
        for pack in packs_of(self):
            assert self.has(pack.file(READINGS)), "a run is told before its readings"
            files = (self.stamp(pack.file(RUNS)), self.stamp(pack.file(READINGS)))
            if files not in self.known:  # none of it has changed since it was looked at
                self.known[files] = self.uids(pack)
            found |= self.known[files]
        return found

    def stamp(self, name):
        """Return what another file of this name, or another content, has otherwise."""
        found = Path(self.where(name)).stat()
        return name, found.st_ino, found.st_size, found.st_mtime_ns

    def uids(self, pack):
        keys = {
            (row["source"], row["run_uid"])
            for row in read_runs_of(self, pack).to_pylist()
        }
        tables = readings_of_pack(self, pack, keys, pack.name)
        assert sum(one.num_rows for one in tables) == COUNT * len(keys)
        return {uid for _, uid in keys}


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for name in BEGUN.values():
            run, segment = begin(writer, part=replace(PART, id=name))
            writer.commit(rows(run, segment, COUNT))
            writer.end_run(run, "stopped")
    return path


@pytest.fixture
def folder(bench, tmp_path):
    folder = WatchedFolder(tmp_path / "set")
    send(bench, folder)
    folder.least = folder.runs()
    assert len(folder.least) == 4
    return folder


def send(bench, folder):
    with Reader.open(bench) as reader:
        write_dataset(reader, folder)


def correct(bench, run, name):
    with Writer.open(bench, VirtualClock()) as writer, Reader.open(bench) as reader:
        found, part = reader.run(run), replace(PART, id=name)
        row = Amendment(kind="part", reason="mistaken", old=found.part_id, new=name)
        evaluation = evaluated(reader, replace(against(found, part), part_id=name))
        judged = verdict_again(reader, evaluation, "mistaken")
        writer.amend(run, row, judged=judged)


@pytest.mark.parametrize(
    "moves",
    [
        {1: "z-part"},
        {1: "a-part"},
        {3: "a-part", 2: "z-part"},
        {1: "z-part", 4: "m-part"},
        {2: "m-part", 4: "a-part"},
        {1: "a-part", 2: "m-part", 3: "z-part", 4: "m-part"},
    ],
)
def test_a_run_that_moves_to_another_part_is_never_away(bench, folder, moves):
    """Before, it was taken out where it was before it was brought where it goes."""
    for run, part in moves.items():
        correct(bench, run, part)
    folder.looks = 0
    send(bench, folder)
    assert folder.looks > 2
    assert folder.runs() == folder.least
    assert places(folder) == {**BEGUN, **moves}
    folder.looks = 0
    send(bench, folder)
    assert folder.looks == 0, "all is there: nothing is written again"


def places(folder):
    """Return the part that each run is told to be."""
    found = [
        (row["run"], pack.place[0])
        for pack in packs_of(folder)
        for row in read_runs_of(folder, pack).to_pylist()
    ]
    assert len(found) == len(dict(found)), "a run is there twice"
    return dict(found)


@pytest.mark.parametrize("looks", [1, 2, 3, 4, 5, 6])
def test_an_export_that_is_killed_is_gone_on_with(bench, folder, looks):
    moves = {1: "a-part", 2: "m-part", 3: "z-part", 4: "m-part"}
    for run, part in moves.items():
        correct(bench, run, part)
    folder.looks, folder.most = 0, looks
    with pytest.raises(KeyboardInterrupt):
        send(bench, folder)
    folder.most = None
    send(bench, folder)
    assert places(folder) == moves


def test_of_a_pack_that_goes_the_runs_go_first(folder):
    folder.least = set()
    packs: list[Pack] = packs_of(folder)
    for pack in packs:
        remove_pack(folder, pack)  # each removal is looked at
    assert folder.looks > 2 * len(packs)
    assert packs_of(folder, READINGS) == []
