"""The campaign of kills and cuts towards an object store on loopback.

    python tests/forwarding/store_campaign.py 100 [SEED]

As `kill_campaign.py`; what is sent is a dataset. A server that is frozen stands for one
that hangs. In the end every reading of every run that is over is compared, and how
often it is there.
"""

import hashlib
import os
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from exchange.object_store import KEYS, ObjectStore, object_store
from forwarding.kill_campaign import Campaign, Outcome

from benchlog.clock import host_sleep
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.packs import READINGS, packs_of, small_file
from benchlog.exchange.dataset.read import runs_once

COLUMNS = ("utc_ns", "mono_ns", "gate_s", "frequency_hz", "ambient_c", "flags")


class StoreCampaign(Campaign):
    """One bench, one follower, one object store, and what is done to them."""

    deeds = ("sender killed", "network cut", "server frozen", "second sender")
    weights = (4, 4, 1, 2)
    following = ("--follow", "--every", "200ms")

    def __init__(self, store: ObjectStore, *rest: Any) -> None:
        self.store = store
        super().__init__(store, *rest)

    def _prepare(self) -> None:
        os.environ.update(KEYS)
        self.environment.update(KEYS)

    def _address(self, port: int) -> str:
        return self.store.address(self.database, port=port)

    def _server_frozen(self) -> None:
        self.store.freeze()
        host_sleep(self.chance.uniform(0.2, 2.0))
        self.store.thaw()

    def _compare(self) -> None:
        address = self._address(self.store.port)
        with closing(sqlite3.connect(self.db)) as here:
            ours = here.execute("select uid from runs order by uid").fetchall()
            sql = (
                f"select r.uid, {', '.join(COLUMNS)} from readings t"
                " join runs r on r.id = t.run_id order by r.uid, t.id"
            )
            told = sorted(runs_once(address, ["run_uid"]).column("run_uid").to_pylist())
            if [uid for (uid,) in ours] != told:
                self.outcome.differing.append("runs")
            self.outcome.here["runs"] = len(ours)
            self.outcome.there["runs"] = len(told)
            sums = [hashlib.sha256(), hashlib.sha256()]
            counts = [0, 0]
            for which, rows in enumerate((here.execute(sql), _there(address))):
                for row in rows:
                    sums[which].update(repr(row).encode())
                    counts[which] += 1
        self.outcome.here["readings"], self.outcome.there["readings"] = counts
        if sums[0].digest() != sums[1].digest():
            self.outcome.differing.append("readings")


def _there(address: str) -> list[tuple]:
    folder, found = folder_at(address), []
    for pack in packs_of(folder):
        name = pack.file(READINGS)
        with small_file(folder, name) as file:
            table = file.read(["run_uid", *COLUMNS])
        columns = [table.column(name).to_pylist() for name in ("run_uid", *COLUMNS)]
        found += zip(*columns, strict=True)
    return sorted(found, key=lambda row: (row[0], row[2]))


def main(times: int, seed: str) -> None:
    with object_store() as store, tempfile.TemporaryDirectory() as folder:
        campaign = StoreCampaign(store, Path(folder), seed, 1.5)
        found: Outcome = campaign.run(times)
        log = (Path(folder) / "sender.log").read_text()
        assert KEYS["AWS_SECRET_ACCESS_KEY"] not in log
    print(f"seed {seed}, {times} times, {found.seconds:.0f} s\n")
    print("| what was done | times |\n| --- | --- |")
    for deed in StoreCampaign.deeds:
        print(f"| {deed} | {found.deeds[deed]} |")
    print("\n| kind | rows at the bench | rows over there | every row equal |")
    print("| --- | --- | --- | --- |")
    for kind, rows in found.here.items():
        equal = "no" if kind in found.differing else "yes"
        print(f"| {kind} | {rows:,} | {found.there[kind]:,} | {equal} |")


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "17")
