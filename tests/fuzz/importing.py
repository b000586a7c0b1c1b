"""What the doors of `import` share: a database, and what must hold after each file."""

import contextlib
import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np
from exchange.test_exports import a_full_run
from fuzz.loop import MEMORY
from store.making import begin, rows

from benchlog.cli.printing import plain
from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError
from benchlog.evaluation.document import run_document
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

_RUNS: Final = 100
_LONG = 40


@contextmanager
def importer(name: str, wish: ImportOptions) -> Iterator[Callable[[bytes], str]]:
    """Yield what imports a file's octets, and looks at the run as commands do.

    A database takes 100 runs; then there is a new one.
    """
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        file, clock = Path(folder) / name, VirtualClock()
        number, taken = 0, 0

        def enter(data: bytes) -> str:
            nonlocal number, taken
            if taken >= _RUNS:
                number, taken = number + 1, 0
            file.write_bytes(data)
            database = Path(folder) / f"{number}.db"
            with Writer.open(database, clock) as writer:
                try:
                    run = import_file(file, writer, clock, wish).run
                except BenchlogError as error:
                    said = str(error)
                    assert len(said) < 3_000, "a message nobody reads"
                    return said.replace(folder, "")
            taken += 1
            _look(database, run)
            return ""

        yield enter


def _look(database: Path, run: int) -> None:
    """List all runs; put the new one into figures and a document, or say why not.

    Numbers may be so absurd that no figure comes of them; then they must be listed.
    """
    with Reader.open(database) as reader, np.errstate(all="ignore"):
        assert run in [one.id for one in reader.runs()]
        with contextlib.suppress(BenchlogError):
            json.dumps(plain(run_document(evaluate(reader, run))), allow_nan=False)


def exports(kinds: tuple[str, ...]) -> list[bytes]:
    """Return two runs, one with all there is, exported each way."""
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / "seeds.db"
        with (
            Writer.open(database, VirtualClock()) as writer,
            Reader.open(database) as reader,
        ):
            full = a_full_run(writer)
            plain, segment = begin(writer)
            writer.commit(rows(plain, segment, _LONG))
            writer.end_run(plain, "stopped")
            found = []
            for run in (full, plain):
                for kind in kinds:
                    out = Path(folder) / f"{run}.{kind}"
                    export_run(reader, run, kind, out)
                    found.append(out.read_bytes())
    return found
