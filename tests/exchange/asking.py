"""Datasets asked by the queries that lie in them, as a person would."""

from contextlib import chdir, suppress
from functools import lru_cache
from pathlib import Path

import duckdb


def ask(folder: Path, sql: str) -> list[tuple]:
    """Ask a dataset by its own queries."""
    with chdir(folder):
        return _opened((folder / "queries.sql").read_text()).execute(sql).fetchall()


@lru_cache(maxsize=2)
def _opened(queries: str) -> duckdb.DuckDBPyConnection:
    """Return a connection with these queries: 0.1 s, as much as many a test takes else.

    Their files are those in the current folder when one asks.
    """
    connection = duckdb.connect()
    with suppress(duckdb.Error):  # it has none yet before 1.3
        connection.execute("set enable_external_file_cache = false")
    connection.execute(queries)
    return connection
