from collections.abc import Iterator
from pathlib import Path

import pytest
from exchange.object_store import ObjectStore, object_store
from store.making import fresh_writer

from benchlog.clock import VirtualClock
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@pytest.fixture(scope="session")
def store() -> Iterator[ObjectStore]:
    """An object store for all tests, which take prefixes of their own."""
    with object_store() as server:
        yield server


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    yield from fresh_writer(tmp_path)


@pytest.fixture
def reader(writer: Writer) -> Iterator[Reader]:
    with Reader.open(writer.path) as reader:
        yield reader


@pytest.fixture
def bring(writer, reader, tmp_path):
    """Import a text and return the result, the run's columns and raw texts."""

    def imported(text, nominal_hz=16e6, **more):
        path = tmp_path / "made elsewhere.txt"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        options = ImportOptions(nominal_hz=nominal_hz, **more)
        result = import_file(path, writer, VirtualClock(), options)
        columns = reader.columns_after(result.run)
        return result, columns, reader.raw_texts(result.run, columns.id.tolist())

    return imported
