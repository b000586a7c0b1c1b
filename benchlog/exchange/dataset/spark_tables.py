"""A dataset as tables of Spark 4, at any address that pyarrow knows.

For places where Spark has no connector of its own for an object store. pyarrow lists
and reads the files, Spark takes their Arrow batches, one partition a file. All columns
of a file are read, whatever is asked. This file needs pyspark and pyarrow and nothing
else of benchlog: where that is not installed, hand a copy to `SparkContext.addPyFile`
and import it by its own name.

Credentials come from the environment of each worker, or from the store's own files.
"""

from collections.abc import Iterator, Sequence
from typing import Any, Final

import pyarrow as pa
from pyarrow import dataset as arrow_dataset
from pyarrow import fs

TABLES: Final = {
    "run_copies": ("runs", ("part", "month")),
    "reading_copies": ("readings", ("part", "month")),
    "lot_copies": ("lots", ()),
}
"""The tables that `queries.sql` asks: folder, and what its subfolders are named by."""
_OF_SPARK: Final = {
    pa.bool_(): "boolean",
    pa.int32(): "int",
    pa.int64(): "bigint",
    pa.float32(): "float",
    pa.float64(): "double",
    pa.string(): "string",
    pa.timestamp("us", tz="UTC"): "timestamp",
}


def open_tables(spark: Any, address: str) -> None:
    """Create the tables that `queries.sql` asks, in a Spark session.

    `address` is a folder or an address of a file system as pyarrow takes it. Tables of
    the same names are replaced: a table has the files that were there when it was made.
    """
    for table in TABLES:
        format_of = _data_source(address, table)
        spark.dataSource.register(format_of)
        spark.sql(f"drop table if exists {table}")
        spark.sql(f"create table {table} using {format_of.name()}")


def files_of(address: str, table: str) -> tuple[list[str], pa.Schema]:
    """Return the files of a table and the columns that any of them has.

    A column that a file lacks is null in its rows. Raises OSError or ValueError of
    pyarrow where there is no such dataset.
    """
    folder, keys = TABLES[table]
    store, base = _store_of(address)
    factory = arrow_dataset.FileSystemDatasetFactory(
        store,
        fs.FileSelector(f"{base}/{folder}", recursive=True),
        arrow_dataset.ParquetFileFormat(),
        arrow_dataset.FileSystemFactoryOptions(
            partition_base_dir=f"{base}/{folder}", partitioning=_named_by(keys)
        ),
    )
    found = factory.inspect(promote_options="permissive", fragments=None)
    columns = pa.schema([(one.name, _plain(one.type)) for one in found])
    return list(factory.finish(columns).files), columns


def batches_of(
    address: str, table: str, file: str, columns: pa.Schema
) -> Iterator[pa.RecordBatch]:
    """Yield the rows of one file of a table, with these columns."""
    folder, keys = TABLES[table]
    store, base = _store_of(address)
    found = arrow_dataset.dataset(
        file,
        schema=columns,
        filesystem=store,
        format="parquet",
        partitioning=_named_by(keys),
        partition_base_dir=f"{base}/{folder}",
    )
    yield from found.to_batches()


def in_spark(columns: pa.Schema) -> str:
    """Return columns as Spark declares them. Raises ValueError for a foreign type."""
    foreign = [one.name for one in columns if one.type not in _OF_SPARK]
    if foreign:
        raise ValueError(f"column {foreign[0]!r} is of a type that no dataset has")
    return ", ".join(f"`{one.name}` {_OF_SPARK[one.type]}" for one in columns)


def _store_of(address: str) -> tuple[fs.FileSystem, str]:
    if "://" not in address:
        return fs.LocalFileSystem(), address.rstrip("/")
    store, base = fs.FileSystem.from_uri(address)
    return store, base.rstrip("/")


def _named_by(keys: Sequence[str]) -> Any:
    named = pa.schema([(name, pa.string()) for name in keys])
    return arrow_dataset.partitioning(named, flavor="hive")


def _plain(kind: pa.DataType) -> pa.DataType:
    """Return the type of the values of a column that is kept as numbers of a list."""
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _data_source(address: str, table: str) -> Any:
    """Return a table as a format of Spark; pyspark is imported here alone.

    Each table is a format of its own: Spark does not hand the options of a table that
    was made by SQL on to a format in Python.
    """
    from pyspark.sql.datasource import (  # noqa: PLC0415 - only where Spark runs
        DataSource,
        DataSourceReader,
        InputPartition,
    )

    class FileReader(DataSourceReader):
        def __init__(self) -> None:
            self.files, self.columns = files_of(address, table)

        def partitions(self) -> list[InputPartition]:
            return [InputPartition(file) for file in self.files]

        def read(self, partition: InputPartition) -> Iterator[pa.RecordBatch]:
            return batches_of(address, table, partition.value, self.columns)

    class StoredTable(DataSource):
        @classmethod
        def name(cls) -> str:
            return f"dataset_{table}"

        def schema(self) -> str:
            return in_spark(files_of(address, table)[1])

        def reader(self, schema: object) -> FileReader:
            del schema
            return FileReader()

    return StoredTable
