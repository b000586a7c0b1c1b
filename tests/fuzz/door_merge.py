"""A damaged database, merged into a whole one: nothing in there is harmed by it.

Whatever comes in can be read: no list of the whole database leaves anything out.
"""

import contextlib
import tempfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from fuzz.damaged_databases import damages, made, spoil, whole_database
from fuzz.loop import MEMORY, Door

from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.model import Run
from benchlog.store.integrity.examination import examine
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@contextlib.contextmanager
def door() -> Iterator[Door]:
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        folder = Path(name)
        whole = whole_database(folder)
        given, into = folder / "given.db", folder / "all.db"
        with Writer.open(into, VirtualClock()) as writer:
            writer.merge(folder / "bench-1.db")
        befores = (b"", into.read_bytes())

        def enter(data: bytes) -> str:
            given.write_bytes(whole)
            before = befores[zlib.crc32(data) % 2]
            into.write_bytes(before)
            for path in (given, into):
                for left in ("-wal", "-shm"):
                    path.with_name(path.name + left).unlink(missing_ok=True)
            spoil(given, damages(data))
            said = _merged(given, into)
            _is_whole(into, 7 if before else 0)
            return said.replace(str(folder), "")

        yield Door(name="merge", enter=enter, make=made, slowest_s=5.0)


def _merged(given: Path, into: Path) -> str:
    try:
        with Writer.open(into, VirtualClock()) as writer:
            done = writer.merge(given)
    except BenchlogError as error:
        return str(error)
    return "; ".join(f"{name}: {why}" for name, why in done.left_out.items())


def _judged(reader: Reader, run: Run) -> None:
    with contextlib.suppress(BenchlogError):
        evaluate(reader, run)


def _is_whole(into: Path, there: int) -> None:
    with Reader.open(into) as reader:
        runs = list(reader.all_runs())
        assert len(runs) >= there, "a run that was there is not listed"
        for lot in reader.lots():
            reader.lot_runs(lot)
        for run in runs:
            reader.verdicts(run.id)
            reader.events(run.id)
            reader.outline(run.id)
            if run.id > there:
                _judged(reader, run)
        assert reader.left_out == {}, reader.left_out
    found = [one.what for one in examine(into) if one.todo]
    harmless = [one for one in found if "earlier than" in one]
    assert found == harmless, found
