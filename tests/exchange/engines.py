"""The shipped questions of a dataset, answered by several engines: check sums, times.

    python tests/exchange/engines.py DATASET ENGINE...

DATASET is a folder, or with `--store PORT` the prefix in the bucket `factory` of a
loopback store. ENGINE is duckdb, datafusion, clickhouse (chdb) or spark (pyspark, Java
17); each in an environment that has it, benchlog need not be there. Prints for each
view how many rows it has and a check sum of them to nine digits (engines add in any
order): two engines agree where their lines are the same. The time is that of all
questions, the best of three.
"""

import argparse
import hashlib
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from decimal import Decimal
from pathlib import Path

SHIPPED = Path(__file__).parents[2] / "benchlog/exchange/dataset"
QUERIES = SHIPPED / "queries.sql"
SUMS = """
select count(*) as n, count(distinct run_uid) as runs, sum(utc_ns % 1000003) as stamps,
  sum(frequency_hz) as hertz, sum(flags) as flags from readings
"""
Ask = Callable[[str], Iterable[tuple]]


def statements(*, opening: bool = False) -> list[str]:
    """Return the statements behind those that open the files, or these; no comments."""
    text = re.sub(r"^--.*$", "", QUERIES.read_text("utf-8"), flags=re.MULTILINE)
    found = [one.strip() for one in text.split(";") if one.strip()]
    return [one for one in found if ("read_parquet" in one) is opening]


def opened_duckdb(where: str, port: int | None) -> Ask:
    import duckdb

    connection = duckdb.connect()
    if port is not None:
        return _duckdb_by_arrow(connection, where, port)
    os.chdir(where)
    for one in statements(opening=True):
        connection.execute(one)
    return lambda sql: connection.execute(sql).fetchall()


def _duckdb_by_arrow(connection, where: str, port: int) -> Ask:
    """Open the tables through pyarrow: DuckDB's own way to a store is an extension."""
    from pyarrow import dataset, fs

    address = f"s3://factory/{where}?endpoint_override=127.0.0.1:{port}&scheme=http"
    store, base = fs.FileSystem.from_uri(address)
    for table, parted in (("runs", "hive"), ("readings", "hive"), ("lots", None)):
        found = dataset.dataset(
            f"{base}/{table}", filesystem=store, partitioning=parted, format="parquet"
        )
        connection.register(f"{table.rstrip('s')}_copies", found)
    return lambda sql: connection.execute(sql).fetchall()


def opened_datafusion(where: str, port: int | None) -> Ask:
    import pyarrow as pa
    from datafusion import SessionContext

    context = SessionContext()
    base = where
    if port is not None:
        from datafusion.object_store import AmazonS3

        store = AmazonS3(
            bucket_name="factory",
            region="us-east-1",
            access_key_id=os.environ["AWS_ACCESS_KEY_ID"],
            secret_access_key=os.environ["AWS_SECRET_ACCESS_KEY"],
            endpoint=f"http://127.0.0.1:{port}",
            allow_http=True,
        )
        context.register_object_store("s3://", store, None)
        base = f"s3://factory/{where}"
    keys = [("part", pa.string()), ("month", pa.string())]
    for table in ("run", "reading"):
        context.register_parquet(
            f"{table}_copies", f"{base}/{table}s/", table_partition_cols=keys
        )
    context.register_parquet("lot_copies", f"{base}/lots/")

    def ask(sql: str) -> Iterable[tuple]:
        found = context.sql(sql).to_arrow_table()
        return [tuple(row.values()) for row in found.to_pylist()]

    return ask


def opened_clickhouse(where: str, port: int | None) -> Ask:
    import json

    from chdb import session

    asking = session.Session()
    asking.query("create database if not exists clocks")
    asking.query("use clocks")
    for table, files in (
        ("run", "runs/part=*/month=*/*.parquet"),
        ("reading", "readings/part=*/month=*/*.parquet"),
        ("lot", "lots/*.parquet"),
    ):
        source = f"file('{where}/{files}', Parquet)"
        if port is not None:
            keys = "', '".join(
                os.environ[one]
                for one in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")
            )
            url = f"http://127.0.0.1:{port}/factory/{where}/{files}"
            source = f"s3('{url}', '{keys}', 'Parquet')"
        asking.query(
            f"create or replace view {table}_copies as select * from {source}"
            " settings use_hive_partitioning = 1"
        )

    def ask(sql: str) -> Iterable[tuple]:
        text = str(asking.query(sql, "JSONCompactEachRow"))
        return [tuple(json.loads(line)) for line in text.splitlines() if line]

    return ask


def opened_spark(where: str, port: int | None) -> Ask:
    from pyspark.sql import SparkSession

    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)  # workers have pyarrow, too
    builder = SparkSession.builder.master("local[2]").appName("queries")
    spark = (
        builder.config("spark.ui.enabled", "false")
        .config("spark.sql.session.timeZone", "UTC")
        .config("spark.sql.shuffle.partitions", "4")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.sql.warehouse.dir", tempfile.mkdtemp(prefix="warehouse-"))
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("ERROR")
    if port is not None:
        _by_pyarrow(spark, f"s3://factory/{where}", port)
        return lambda sql: [tuple(row) for row in spark.sql(sql).collect()]
    for table in ("run", "reading"):
        spark.sql(
            f"create table {table}_copies using parquet location '{where}/{table}s'"
        )
        spark.sql(f"msck repair table {table}_copies")
    spark.sql(f"create table lot_copies using parquet location '{where}/lots'")
    return lambda sql: [tuple(row) for row in spark.sql(sql).collect()]


def _by_pyarrow(spark, address: str, port: int) -> None:
    """Open the tables as the manual tells for a Spark without hadoop-aws."""
    spark.sparkContext.addPyFile(str(SHIPPED / "spark_tables.py"))
    from spark_tables import open_tables

    open_tables(spark, f"{address}?endpoint_override=127.0.0.1:{port}&scheme=http")


OPENED = {
    "duckdb": opened_duckdb,
    "datafusion": opened_datafusion,
    "clickhouse": opened_clickhouse,
    "spark": opened_spark,
}


def check_sum(rows: Iterable[tuple]) -> str:
    """Return how many rows there are, and a sum over what they hold, in any order."""
    texts = sorted("|".join(map(_plain, row)) for row in rows)
    digest = hashlib.sha256("\n".join(texts).encode()).hexdigest()[:12]
    return f"{len(texts):6d} rows {digest}"


def _plain(value: object) -> str:
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, str):
        try:  # ClickHouse gives whole numbers of 64 bits as texts
            value = int(value)
        except ValueError:
            return str(value)
    if isinstance(value, int | float | Decimal):
        return f"{float(value):.9g}"
    return str(value)


def told(ask: Ask) -> dict[str, str]:
    """Return how many rows each question has, and their check sum, by its view."""
    made = [one for one in statements() if one.startswith("create")]
    for one in made:
        ask(one)
    asked = [one for one in statements() if not one.startswith("create")]
    return {
        **{sql.split()[-1]: check_sum(ask(sql)) for sql in asked},
        "all readings": check_sum(ask(SUMS)),
    }


def _now_s() -> float:
    return time.perf_counter()  # noqa: TID251 - benchlog is not there


def main() -> None:
    """Ask each engine, and print what it answers."""
    parser = argparse.ArgumentParser()
    parser.add_argument("dataset")
    parser.add_argument("engines", nargs="+", choices=sorted(OPENED))
    parser.add_argument("--store", type=int, help="port of a loopback store")
    parser.add_argument("--once", action="store_true", help="take no times")
    wish = parser.parse_args()
    for name in wish.engines:
        ask = OPENED[name](wish.dataset, wish.store)
        for view, found in told(ask).items():
            print(f"{name:10} {view:24} {found}", flush=True)
        if not wish.once:
            _print_times(name, ask)


def _print_times(name: str, ask: Ask) -> None:
    asked = [one for one in statements() if not one.startswith("create")]
    best = best_cpu = float("inf")
    for _ in range(3):
        began, cpu = _now_s(), time.process_time()
        for one in asked:
            list(ask(one))
        best = min(best, _now_s() - began)
        best_cpu = min(best_cpu, time.process_time() - cpu)
    began = _now_s()
    list(ask(SUMS))
    print(
        f"{name:10} shipped questions {best:.2f} s ({best_cpu:.2f} s of processor, "
        f"all threads), all readings {_now_s() - began:.2f} s",
        flush=True,
    )


if __name__ == "__main__":
    main()
