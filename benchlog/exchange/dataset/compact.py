"""Bringing the packs of several databases in a partition together into one."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlog.clock import host_clock
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset import older
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.columns import runs_schema
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.packs import (
    RUN_KEY,
    SHARED,
    Pack,
    PackNames,
    Place,
    RunKey,
    as_schema,
    in_pack,
    packs_of,
    read_runs_of,
    readings_of_pack,
    remove_pack,
    remove_strays,
    write_pack,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compacted:
    """How many files of runs and readings there were before, and are now."""

    before: int
    after: int


def compact(
    address: str | Path | Folder,
    progress: Callable[[int, int], None] | None = None,
) -> Compacted:
    """Make one pack of those in each partition; what a newer row replaced is left out.

    A database that is exported afterwards writes what has changed into a pack of its
    own. Raises BenchlogError when a file cannot be written.
    """
    folder = folder_at(address)
    with folder.only_writer():
        older.convert(folder, host_clock().utc_ns())
        remove_strays(folder)
        packs = packs_of(folder)
        names = PackNames(packs, host_clock().utc_ns())
        newest = _newest(folder, packs)
        by_place: defaultdict[Place, list[Pack]] = defaultdict(list)
        for pack in packs:
            by_place[pack.place].append(pack)
        for done, (place, found) in enumerate(by_place.items(), 1):
            if len(found) > 1:
                _one_of(folder, Pack(place, SHARED, names.next()), found, newest)
            if progress is not None:
                progress(done, len(by_place))
        return Compacted(before=2 * len(packs), after=2 * len(packs_of(folder)))


def _newest(folder: Folder, packs: list[Pack]) -> dict[RunKey, Pack]:
    """Return by source and run the pack that has its newest row."""
    found: dict[RunKey, Pack] = {}
    for pack in sorted(packs, key=lambda one: one.name):
        for row in read_runs_of(folder, pack, list(RUN_KEY)).to_pylist():
            found[_key(row)] = pack
    return found


def _one_of(
    folder: Folder,
    pack: Pack,
    found: list[Pack],
    newest: dict[RunKey, Pack],
) -> None:
    pa, schema = arrow(), runs_schema()
    kept: dict[Pack, Any] = {}
    for old in found:
        table = read_runs_of(folder, old)
        stays = [newest[_key(row)] == old for row in _keys_in(table)]
        kept[old] = as_schema(in_pack(table.filter(pa.array(stays)), pack.name), schema)
    runs = pa.concat_tables(kept.values()).sort_by("run_uid")

    def readings() -> Iterator[Any]:
        for old, table in kept.items():
            keys = {_key(row) for row in _keys_in(table)}
            yield from readings_of_pack(folder, old, keys, pack.name)

    write_pack(folder, pack, runs, readings())
    for old in found:
        remove_pack(folder, old)


def _keys_in(table: Any) -> list[dict[str, str]]:
    rows: list[dict[str, str]] = table.select(list(RUN_KEY)).to_pylist()
    return rows


def _key(row: dict[str, Any]) -> RunKey:
    return row["source"], row["run_uid"]
