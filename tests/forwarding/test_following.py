"""A follower: it tells what is wrong, waits, and goes on; it ends when asked."""

import json
import signal
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from forwarding.central_server import CentralServer
from forwarding.made_benches import add_run, clock_from, made_database
from forwarding.network_cut import Relay
from forwarding.sending import PROGRAM, done
from warm_program import Program

from benchlog.clock import host_deadline, host_sleep
from benchlog.store import files
from benchlog.store.writer import Writer

PATIENCE_S = 60


@contextmanager
def following(to: str, db: Path, *words: str) -> Iterator[subprocess.Popen]:
    program = [*PROGRAM, "forward", "--to", to, "--db", str(db), "--follow", *words]
    with Program(
        program,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def until(found: Callable[[], object], wanted: object) -> None:
    limit = host_deadline(PATIENCE_S)
    while found() != wanted:
        assert not limit.passed, f"{found()} is not {wanted}"
        host_sleep(0.1)


def test_a_follower_sends_as_it_comes_through_a_cut_and_ends_when_asked(
    server: CentralServer, central: str, tmp_path: Path
) -> None:
    done(central, "--create")
    db = made_database(tmp_path / "bench.db", 1, 10)
    clock = clock_from(1)

    def readings() -> int:
        with psycopg.connect(central) as session:
            sql = "select count(*) from benchlog.readings"
            return session.execute(sql).fetchone()[0]

    relay = Relay(server.port)
    near = central.replace(f":{server.port}/", f":{relay.port}/")
    try:
        with (
            Writer.open(db, clock) as writer,
            following(near, db, "--readings", "--json") as follower,
        ):
            until(readings, 10)
            add_run(writer, clock, "while it follows", 7)
            until(readings, 17)
            relay.cut()
            add_run(writer, clock, "while it is cut", 5)
            host_sleep(1.0)
            assert readings() == 17
            relay.mend()
            until(readings, 22)
            follower.send_signal(signal.SIGTERM)
            told, said = follower.communicate(timeout=PATIENCE_S)
    finally:
        relay.close()
    assert follower.returncode == 0, said
    assert "trying again" in said and "it goes on" in said
    document = json.loads(told)
    assert document["kinds"]["readings"]["sent"] == 22
    assert document["waiting"] == 0 and document["lag_s"] == 0


def test_the_lag_is_told_by_the_clock_over_there(central: str, tmp_path: Path) -> None:
    """What the bench's clock tells does not matter: rows of 2030 wait for seconds."""
    done(central, "--create")
    db = made_database(tmp_path / "bench.db", 1, 10)
    assert files.forwarded_utc_ns(db) is None
    done(central, "--db", str(db))
    assert files.forwarded_utc_ns(db) is not None  # what the alarm rule looks at
    clock = clock_from(-400)  # set back by more than a year
    with Writer.open(db, clock) as writer:
        add_run(writer, clock, "later", 3)
    told = done(central, "--db", str(db), "--status")
    assert told["sent"] == 0
    assert told["kinds"]["runs"]["waiting"] == 1
    assert 0 < told["lag_s"] < PATIENCE_S
    assert "readings" not in told["kinds"]
    done(central, "--db", str(db))
    told = done(central, "--db", str(db), "--status")
    assert (told["waiting"], told["lag_s"]) == (0, 0)
