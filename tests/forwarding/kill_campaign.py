"""Kills and cuts at random moments, while a bench measures and two senders send.

    python tests/forwarding/kill_campaign.py 100 [SEED]

A bench commits runs and corrections; a follower sends them through a relay to a real
PostgreSQL (with fsync) on loopback. At random moments the follower is killed, the
network is cut, the server's session is ended, the server itself is stopped at once (as
by a power cut) and started again, or a second sender is begun. After the last one the
bench ends, and one sender sends what is left. Then every row of every kind is compared
in both directions, and how often each is there. Prints a table for RESULTS.md.
"""

import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from forwarding.central_server import PASSWORD, CentralServer
from forwarding.network_cut import Relay
from forwarding.sending import (
    OF_RUNS,
    PROGRAM,
    readings_here,
    readings_there,
    told_here,
    told_there,
)
from seeds import seeded_random
from warm_program import Program

from benchlog.clock import host_clock, host_sleep

DEEDS = (
    "sender killed",
    "network cut",
    "session ended",
    "server stopped",
    "second sender",
)
WEIGHTS = (4, 4, 3, 1, 2)
IN_THE_MIDDLE = "with an open transaction"
"""What the server logs where a connection went away with rows of a batch in it."""


@dataclass
class Outcome:
    """What was done, and what was found in the end."""

    deeds: Counter = field(default_factory=Counter)
    here: dict[str, int] = field(default_factory=dict)
    there: dict[str, int] = field(default_factory=dict)
    differing: list[str] = field(default_factory=list)
    in_the_middle: int = 0
    seconds: float = 0.0


class Campaign:
    """One bench, one follower, one server, and what is done to them."""

    deeds = DEEDS
    weights = WEIGHTS
    following = ("--follow", "--readings")

    def __init__(
        self, server: CentralServer, folder: Path, seed: str, longest_s: float = 4.0
    ) -> None:
        self.server, self.folder, self.longest_s = server, folder, longest_s
        self.chance = seeded_random(seed)
        self.relay = Relay(server.port)
        self.db = folder / "bench.db"
        self.database = f"campaign_{seed}"
        self.environment = {**os.environ, "PGUSER": "keeper", "PGPASSWORD": PASSWORD}
        self.outcome = Outcome()
        self._follower: subprocess.Popen | None = None
        self._prepare()

    def _prepare(self) -> None:
        with self.server.connect("postgres") as session:
            session.execute(f'create database "{self.database}"')
        self._sender(self.server.port, "--create").wait()

    def _address(self, port: int) -> str:
        return f"postgresql://127.0.0.1:{port}/{self.database}"

    def _sender(self, port: int, *words: str) -> subprocess.Popen:
        to = self._address(port)
        rest = () if "--create" in words else ("--db", str(self.db))
        with (self.folder / "sender.log").open("ab") as log:
            return Program(
                [*PROGRAM, "forward", "--to", to, *words, *rest],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def run(self, times: int) -> Outcome:
        began = host_clock().mono_ns()
        seed = str(self.chance.random())
        program = [sys.executable, str(Path(__file__).with_name("busy_bench.py"))]
        bench = Program(
            [*program, str(self.db), seed], stdin=subprocess.PIPE, text=True
        )
        try:
            while not self.db.exists():
                host_sleep(0.05)
            for _ in range(times):
                self._go_on()
                host_sleep(self.chance.uniform(0.1, self.longest_s))
                self._do(self.chance.choices(self.deeds, self.weights)[0])
        finally:
            bench.communicate("\n", timeout=60)
            self._kill()
            self.relay.close()
        last = self._sender(self.server.port, "--readings")
        assert last.wait(300) == 0, (self.folder / "sender.log").read_text()
        self._compare()
        self.outcome.seconds = (host_clock().mono_ns() - began) * 1e-9
        return self.outcome

    def _go_on(self) -> None:
        if self._follower is None or self._follower.poll() is not None:
            self._follower = self._sender(self.relay.port, *self.following)

    def _kill(self) -> None:
        if self._follower is not None:
            self._follower.send_signal(signal.SIGKILL)
            self._follower.wait()
            self._follower = None

    def _do(self, deed: str) -> None:
        self.outcome.deeds[deed] += 1
        getattr(self, "_" + deed.replace(" ", "_"))()

    def _sender_killed(self) -> None:
        self._kill()

    def _network_cut(self) -> None:
        self.relay.cut()
        host_sleep(self.chance.uniform(0.0, 1.0))
        self.relay.mend()

    def _session_ended(self) -> None:
        with self.server.connect("postgres") as session:
            session.execute(
                "select pg_terminate_backend(pid) from pg_stat_activity"
                " where application_name = 'benchlog forward'"
            )

    def _server_stopped(self) -> None:
        self.server.stop(at_once=True)
        self.relay.cut()
        host_sleep(self.chance.uniform(0.0, 0.5))
        self.server.start()
        self.relay.mend()

    def _second_sender(self) -> None:
        second = self._sender(self.server.port, "--readings")
        host_sleep(self.chance.uniform(0.2, 2.0))
        with suppress(ProcessLookupError):
            second.send_signal(signal.SIGKILL)
        second.wait()

    def _compare(self) -> None:
        with (
            closing(sqlite3.connect(self.db)) as here,
            self.server.connect(self.database) as there,
        ):
            for kind in OF_RUNS:
                ours, theirs = told_here(here, kind), told_there(there, kind)
                self.outcome.here[kind] = len(ours)
                self.outcome.there[kind] = len(theirs)
                if ours != theirs:
                    self.outcome.differing.append(kind)
            self._compare_readings(here, there)
            sql = "select uid, ended_utc_ns, ended_how from runs order by uid"
            ours = here.execute(sql).fetchall()
            theirs = there.execute(
                "select run_uid::text, ended_utc_ns, ended_how from benchlog.runs"
                " order by run_uid::text"
            ).fetchall()
            self.outcome.here["runs"] = len(ours)
            self.outcome.there["runs"] = len(theirs)
            if ours != theirs:
                self.outcome.differing.append("runs")

    def _compare_readings(self, here: Any, there: Any) -> None:
        sums = [hashlib.sha256(), hashlib.sha256()]
        counts = [0, 0]
        for which, rows in enumerate((readings_here(here), readings_there(there))):
            for row in rows:
                sums[which].update(repr(row).encode())
                counts[which] += 1
        self.outcome.here["readings"], self.outcome.there["readings"] = counts
        if sums[0].digest() != sums[1].digest():
            self.outcome.differing.append("readings")


def main(times: int, seed: str) -> None:
    server = CentralServer(sync=True)
    try:
        with tempfile.TemporaryDirectory() as folder:
            found = Campaign(server, Path(folder), seed).run(times)
            log = (Path(folder) / "sender.log").read_text()
            assert PASSWORD not in log
        assert PASSWORD not in server.log
        found.in_the_middle = server.log.count(IN_THE_MIDDLE)
    finally:
        server.remove()
    print(f"seed {seed}, {times} times, {found.seconds:.0f} s\n")
    print("| what was done | times |\n| --- | --- |")
    for deed in DEEDS:
        print(f"| {deed} | {found.deeds[deed]} |")
    print(f"| of these with a batch half sent | {found.in_the_middle} |")
    print("\n| kind | rows at the bench | rows over there | every row equal |")
    print("| --- | --- | --- | --- |")
    for kind, rows in found.here.items():
        equal = "no" if kind in found.differing else "yes"
        print(f"| {kind} | {rows:,} | {found.there[kind]:,} | {equal} |")


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "17")
