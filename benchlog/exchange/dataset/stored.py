"""What a dataset has of a database already, and what of that stays as it is."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.packs import SHARED, Pack, Place, read_runs_of
from benchlog.model import Run

_STORED: Final = ["source", "run_uid", "revision", "as_of_utc_ns"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedRun:
    """A run that belongs into the dataset: where, and what its row depends on."""

    run: Run
    place: Place
    revision: str
    as_of_utc_ns: int
    began_utc_ns: int | None


@dataclass(frozen=True, slots=True)
class _Row:
    """The newest row of a run that the dataset has from this database."""

    pack: Pack
    revision: str
    as_of_utc_ns: int


class Stored:
    """What the dataset has of a database: which runs, as of when, in which packs.

    A newer row elsewhere takes the place of one in a pack that several share; only what
    the database itself lists no more is taken out of there.
    """

    def __init__(self, folder: Folder, packs: list[Pack], source: str) -> None:
        self.own: defaultdict[Place, list[Pack]] = defaultdict(list)
        self.in_pack: dict[Pack, list[str]] = {}
        self._newest: dict[str, _Row] = {}
        for pack in sorted(packs, key=lambda one: one.name):
            if pack.source not in (source, SHARED):
                continue
            if pack.source == source:
                self.own[pack.place].append(pack)
            rows = read_runs_of(folder, pack, _STORED).to_pylist()
            own = (row for row in rows if row["source"] == source)
            whole = (row for row in own if None not in row.values())
            found = {row["run_uid"]: row for row in whole}
            self.in_pack[pack] = list(found)
            for uid, row in found.items():
                self._newest[uid] = _Row(pack, row["revision"], row["as_of_utc_ns"])

    def has(self, one: WantedRun, within: Pack | None = None) -> bool:
        """Whether a run is there as it is, or as it was later than in this copy."""
        row = self._newest.get(one.run.uid)
        if row is None or within not in (None, row.pack):
            return False
        is_it = row.revision == one.revision and row.pack.place == one.place
        return is_it or row.as_of_utc_ns > one.as_of_utc_ns

    def to_keep(
        self, pack: Pack, wanted: Mapping[str, WantedRun], known: frozenset[str]
    ) -> set[str]:
        """Return which runs of a pack stay: those that are so, and those of elsewhere.

        `known` are all runs of the database; one that is not among them was measured
        in another copy of it.
        """
        return {
            uid
            for uid in self.in_pack[pack]
            if (self.has(wanted[uid], pack) if uid in wanted else uid not in known)
        }

    def is_left(self, pack: Pack, wanted: Mapping[str, WantedRun]) -> bool:
        """Whether a run of a pack belongs into another place now."""
        found = (wanted[uid] for uid in self.in_pack[pack] if uid in wanted)
        return any(one.place != pack.place for one in found)

    def to_leave(
        self, wanted: Mapping[str, WantedRun], known: frozenset[str]
    ) -> dict[Pack, set[str]]:
        """Return by shared pack the runs of the database that it lists no more.

        They are in quarantine there, cannot be read, or go on. `known` are all runs of
        the database.
        """
        found = {
            pack: {uid for uid in uids if uid in known and uid not in wanted}
            for pack, uids in self.in_pack.items()
            if pack.source == SHARED
        }
        return {pack: uids for pack, uids in found.items() if uids}
