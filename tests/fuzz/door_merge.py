"""A damaged database, merged into a whole one: nothing in there is harmed by it.

Whatever comes in can be read: no list of the whole database leaves anything out.
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fuzz.damaged_databases import damages, made, spoil, whole_database
from fuzz.loop import Door

from benchlog.clock import VirtualClock
from benchlog.errors import BenchlogError
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.store.integrity.examination import examine
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


@contextmanager
def door() -> Iterator[Door]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = whole_database(folder)
        given, into = folder / "given.db", folder / "all.db"
        with Writer.open(into, VirtualClock()) as writer:
            writer.merge(folder / "bench-1.db")
        before = into.read_bytes()

        def enter(data: bytes) -> str:
            given.write_bytes(whole)
            into.write_bytes(before)
            for path in (given, into):
                for left in ("-wal", "-shm"):
                    path.with_name(path.name + left).unlink(missing_ok=True)
            spoil(given, damages(data))
            said = _merged(given, into)
            _is_whole(into)
            return said.replace(str(folder), "")

        yield Door(name="merge", enter=enter, make=made, slowest_s=5.0)


def _merged(given: Path, into: Path) -> str:
    try:
        with Writer.open(into, VirtualClock()) as writer:
            done = writer.merge(given)
    except BenchlogError as error:
        return str(error)
    return "; ".join(f"{name}: {why}" for name, why in done.left_out.items())


def _is_whole(into: Path) -> None:
    with Reader.open(into) as reader:
        runs = list(reader.all_runs())
        assert len(runs) >= 7, "a run that was there is not listed"
        for lot in reader.lots():
            reader.lot_runs(lot)
        for run in runs:
            reader.verdicts(run.id)
            reader.events(run.id)
            reader.outline(run.id)
            if run.id > 7:
                evaluate(reader, run)
        assert reader.left_out == {}, reader.left_out
    found = [one.what for one in examine(into) if one.todo]
    harmless = [one for one in found if "earlier than" in one]
    assert found == harmless, found
