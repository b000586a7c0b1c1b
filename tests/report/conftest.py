from collections.abc import Iterator
from pathlib import Path

import pytest
from store.making import fresh_writer

from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    yield from fresh_writer(tmp_path)


@pytest.fixture
def reader(writer: Writer) -> Iterator[Reader]:
    with Reader.open(writer.path) as reader:
        yield reader
