"""What the commands have in common that say something of a run afterwards."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.database import database
from benchlog.cli.typed_values import Text

if TYPE_CHECKING:
    from benchlog.store.reader import Reader
    from benchlog.store.writer import Writer

reason_option = click.option(
    "--reason", type=Text(), required=True, help="Why, for whoever reads it later."
)
operator_option = click.option("--operator", type=Text(), help="Who says so.")


@contextlib.contextmanager
def amending(db: Path | None) -> "Iterator[tuple[Writer, Reader]]":
    """Open an existing database for writing and reading. Raises StoreError."""
    from benchlog.clock import host_clock
    from benchlog.errors import StoreError
    from benchlog.store.reader import Reader
    from benchlog.store.writer import Writer

    path = database(db)
    if not path.is_file():
        raise StoreError(f"there is no database {path}; name another with --db")
    with Writer.open(path, host_clock()) as writer, Reader.open(path) as reader:
        yield writer, reader
