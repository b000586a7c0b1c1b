"""How fast a database is sent, in how much memory, and what a keeper feels of it.

    python tests/forwarding/pace.py pace        # rows/s and memory, three sizes
    python tests/forwarding/pace.py keeper      # gate spacing while one catches up

Real processes, a real PostgreSQL with fsync on this computer. A factory's server is
another one: beside a keeper it runs at the lowest priority. What other programs take of
the processor does not add to processor time, which is told beside the time that passed.
"""

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from cli.conftest import Line
from forwarding.central_server import PASSWORD, CentralServer
from forwarding.made_benches import made_database
from forwarding.sending import PROGRAM

from benchlog.clock import host_clock, host_sleep

SIZES = ((4, 25_000), (20, 25_000), (80, 25_000))
CATCH_UP = (10, 25_000)
STRETCH_S = 15.0
STRETCHES = 8
MEASURED = """
import resource, sys
from benchlog.cli import main
try:
    main()
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, file=sys.stderr)
"""


def server_cpu_s(server: CentralServer) -> float:
    """Return the processor time of all sessions that are over, in s."""
    text = Path(f"/proc/{server.pid}/stat").read_text()
    times = text.rsplit(")", 1)[1].split()[13:15]
    return sum(map(int, times)) / os.sysconf("SC_CLK_TCK")


def send(to: str, *words: str) -> tuple[float, float, float, dict]:
    """Send once; return s that passed, s of the processor, MB at most, document."""
    began = host_clock().mono_ns()
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, "forward", "--to", to, *words, "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    cpu_s, megabytes = map(float, done.stderr.splitlines()[-1].split())
    passed_s = (host_clock().mono_ns() - began) * 1e-9
    return passed_s, cpu_s, megabytes, json.loads(done.stdout)


def new_database(server: CentralServer, name: str) -> str:
    with server.connect("postgres") as session:
        session.execute(f"create database {name}")
    send(server.address(name), "--create")
    return server.address(name)


def pace(server: CentralServer, folder: Path) -> None:
    print("| readings | s | sender's s of processor | server's | readings/s "
          "| readings/s of one processor | sender's MB |")  # fmt: skip
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for number, (runs, readings) in enumerate(SIZES):
        db = made_database(folder / f"{number}.db", runs, readings)
        to = new_database(server, f"pace_{number}")
        send(to, "--db", str(db))
        idle_s = send(to, "--db", str(db))[:2]
        before = server_cpu_s(server)
        passed_s, cpu_s, megabytes, told = send(to, "--db", str(db), "--readings")
        server_s = server_cpu_s(server) - before
        rows = told["kinds"]["readings"]["sent"]
        assert rows == runs * readings
        passed_s, cpu_s = passed_s - idle_s[0], cpu_s - idle_s[1]  # the program's start
        print(
            f"| {rows:,} | {passed_s:.1f} | {cpu_s:.1f} | {server_s:.1f}"
            f" | {rows / passed_s:,.0f} | {rows / (cpu_s + server_s):,.0f}"
            f" | {megabytes:.0f} |"
        )


def keeper(server: CentralServer, folder: Path) -> None:
    line = Line(folder)
    made_database(line.db, *CATCH_UP)
    environment = {**line.environment(), "BENCHLOG_TIME_SCALE": "1"}
    stretches: list[tuple[bool, int, int]] = []
    sent = 0
    options = ("simulate", "--bench-out", "bench.toml", "--gate-s", "0.1")
    words = ("soak", "--bench", "bench.toml", "--part", "quartz-16mhz-30ppm")
    length = f"{STRETCH_S * STRETCHES + 15:.0f}s"
    start = {"cwd": folder, "env": environment, "stdin": subprocess.DEVNULL}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with subprocess.Popen([*PROGRAM, *options], **start, **quiet) as bench:
        while not (folder / "bench.toml").exists():
            host_sleep(0.05)
        soak = [*PROGRAM, *words, "--device", "K", "--for", length, "--no-screen"]
        with subprocess.Popen(soak, **start, **quiet) as measuring:
            host_sleep(8.0)
            for stretch in range(STRETCHES):
                began, ends = host_clock().mono_ns(), STRETCH_S
                while stretch % 2 and _left_s(began, ends) > 0:
                    to = new_database(server, f"keeper_{stretch}_{sent}")
                    told = send(to, "--db", str(line.db), "--readings")[3]
                    sent += told["kinds"]["readings"]["sent"]
                host_sleep(max(0.0, _left_s(began, ends)))
                stretches.append((bool(stretch % 2), began, host_clock().mono_ns()))
            measuring.wait(120)
        bench.terminate()
    _tell(line.db, stretches, sent)


def _left_s(began_ns: int, length_s: float) -> float:
    return length_s - (host_clock().mono_ns() - began_ns) * 1e-9


def _tell(db: Path, stretches: list[tuple[bool, int, int]], sent: int) -> None:
    with closing(sqlite3.connect(db)) as connection:
        run = connection.execute("select max(id) from runs").fetchone()[0]
        sql = "select mono_ns from readings where run_id = ? order by id"
        mono_ns = np.array([row[0] for row in connection.execute(sql, (run,))])
    print(f"\n{sent:,} readings sent meanwhile\n")
    print("| spacing of 0.1 s gates | readings | median s | 99 % s | longest s |")
    print("| --- | --- | --- | --- | --- |")
    found = {}
    for is_sending, name in ((False, "nothing is sent"), (True, "one catches up")):
        parts = [
            np.diff(mono_ns[(mono_ns >= began) & (mono_ns < end)]) * 1e-9
            for sending, began, end in stretches
            if sending is is_sending
        ]
        spacing = np.concatenate(parts)
        found[is_sending] = np.array(
            [np.median(spacing), np.quantile(spacing, 0.99), spacing.max()]
        )
        figures = " | ".join(f"{one:.4f}" for one in found[is_sending])
        print(f"| {name} | {len(spacing)} | {figures} |")
    ratios = " | ".join(f"{one:.3f}" for one in found[True] / found[False])
    print(f"| ratio | | {ratios} |")


def main(what: str) -> None:
    os.environ.update(PGUSER="keeper", PGPASSWORD=PASSWORD)
    # beside a keeper it stands for a server that is on another computer
    server = CentralServer(sync=True, nice=19 if what == "keeper" else 0)
    try:
        with tempfile.TemporaryDirectory() as folder:
            {"pace": pace, "keeper": keeper}[what](server, Path(folder))
    finally:
        server.remove()
    print(f"\nload of this computer: {os.getloadavg()[0]:.0f}")


if __name__ == "__main__":
    main(sys.argv[1])
