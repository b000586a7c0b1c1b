"""Ten questions of a factory to its dataset, in DuckDB: what each costs, by size.

    python tests/exchange/year_questions.py SCRATCH DATASET...

For each DATASET the questions about readings. For the first one those about runs, too,
and once more with each run repeated 10 and 100 times (new UUIDs, days later; three runs
of a device, each on another bench), which are written to SCRATCH as Parquet, as a
year's runs are. Prints processor time of all threads in s, the better of two, and what
it comes to for each row asked.
"""

import os
import sys
import time
from pathlib import Path

import duckdb
from exchange.engines import statements

OF_RUNS = {
    "number of runs, each once": "select count(*) from runs",
    "yield per supplier and week": "select * from yield_per_week",
    "one bench against the others": "select * from bench_against_others",
    "same device on several benches": "select * from same_device_on_benches",
    "ageing of a kind of part": "select * from ageing_of_kinds",
    "newest result of each device": "select count(*), min(word) from results",
    "mean offset of each bench": """select bench, avg(offset_ppm)
        from runs group by bench""",
    "the runs of one device": """select run, offset_ppm, u_ppm from runs
        where device = (select min(device) from run_copies) order by started_utc_ns""",
}
OF_READINGS = {
    "mean and scatter of all readings, by bench": """select r.bench, count(*),
        avg(x.frequency_hz), stddev_samp(x.frequency_hz)
        from readings x join runs r on r.run_uid = x.run_uid group by r.bench""",
    "readings of one bench, by device": """select r.device, avg(x.frequency_hz)
        from readings x join runs r on r.run_uid = x.run_uid
        where x.source = (select min(source) from run_copies) group by r.device""",
}
TIMES = (1, 10, 100)
REPEATED = """
copy (select run_copies.* replace (
    cast(uuid() as varchar) as run_uid, device || '-' || n // 3 as device,
    'bench-' || (cast(regexp_extract(bench, '[0-9]+') as int) + n) % 40 as bench,
    started_utc_ns + n * 86400000000000 as started_utc_ns)
  from run_copies, range({times}) as repeated(n)) to '{file}' (format parquet)
"""


def opened(dataset: Path) -> duckdb.DuckDBPyConnection:
    """Open a dataset as `queries.sql` does."""
    connection = duckdb.connect()
    os.chdir(dataset)  # the shipped statements name the folders within it
    for one in statements(opening=True) + statements():
        if one.startswith("create"):
            connection.execute(one)
    return connection


def cpu_s(connection: duckdb.DuckDBPyConnection, sql: str) -> float:
    """Return the processor time of a question, s; the better of two."""
    found = []
    for _ in range(2):
        began = time.process_time()
        connection.execute(sql).fetchall()
        found.append(time.process_time() - began)
    return min(found)


def number(connection: duckdb.DuckDBPyConnection, table: str, where: str = "") -> int:
    """Return how many rows there are."""
    row = connection.execute(f"select count(*) from {table} {where}").fetchone()
    assert row is not None
    return int(row[0])


def about_readings(dataset: Path) -> None:
    """Print what the questions about readings cost."""
    connection = opened(dataset)
    everything = number(connection, "reading_copies")
    one = "where source = (select min(source) from run_copies)"
    rows = (everything, number(connection, "reading_copies", one))
    for (name, sql), asked in zip(OF_READINGS.items(), rows, strict=True):
        took = cpu_s(connection, sql)
        each_ns = took / asked * 1e9
        told = f"{asked:,} of {everything:,} | {took:.2f} | {each_ns:.0f} ns"
        print(f"| {name} | {told} |", flush=True)


def about_runs(dataset: Path, scratch: Path) -> None:
    """Print what the questions about runs cost, of 10 and 100 times as many, too."""
    for times in TIMES:
        connection = opened(dataset)
        file = scratch / f"runs-{times}.parquet"
        connection.execute(REPEATED.format(times=times, file=file))
        connection.execute(
            f"create or replace view run_copies as from read_parquet('{file}')"
        )
        runs = number(connection, "run_copies")
        print(f"| {runs:,} runs, {file.stat().st_size / runs:.0f} octets each | | | |")
        for name, sql in OF_RUNS.items():
            took = cpu_s(connection, sql)
            print(
                f"| {name} | {runs:,} | {took:.2f} | {took / runs * 1e9:.0f} ns |",
                flush=True,
            )


def main(words: list[str]) -> None:
    """Ask each dataset named on the command line."""
    scratch, *datasets = [Path(word).resolve() for word in words]
    print("| question | rows asked | processor s | each |\n| --- | --- | --- | --- |")
    about_runs(datasets[0], scratch)
    for dataset in datasets:
        about_readings(dataset)


if __name__ == "__main__":
    main(sys.argv[1:])
