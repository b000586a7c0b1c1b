"""The lots of a database, asked for together: as each is asked for by itself."""

import shutil
from pathlib import Path

import pytest
from exchange.factory import bench_database
from store.making import connection_of

from benchlog.clock import VirtualClock
from benchlog.evaluation.lot_document import lot_document
from benchlog.evaluation.lots import lot_with_runs, lots_with_benches
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"


@pytest.mark.parametrize("name", ["day", "factory", "lots"])
def test_each_lot_is_what_it_is_by_itself(name, tmp_path):
    path = Path(shutil.copy(CORPUS / f"{name}.db", tmp_path / f"{name}.db"))
    Writer.open(path, VirtualClock()).close()
    wanted, found = [], []
    with Reader.open(path) as reader:
        for lot in reader.lots():
            report, runs = lot_with_runs(reader, lot)
            if lot.plan is not None or runs:
                benches = tuple(dict.fromkeys(run.bench for run in runs))
                wanted.append((lot_document(report), report.base_doubts, benches))
        for report, benches in lots_with_benches(reader):
            found.append((lot_document(report), report.base_doubts, benches))
    assert found == wanted
    assert found


def test_more_lots_are_no_more_questions(tmp_path):
    asked = []
    for lots in (1, 6):
        (folder := tmp_path / str(lots)).mkdir()
        with Reader.open(bench_database(folder, 0, lots, 2)) as reader:
            said: list[str] = []
            connection = connection_of(reader)
            connection.set_trace_callback(said.append)
            assert len(list(lots_with_benches(reader))) == lots
            connection.set_trace_callback(None)
            asked.append(len(said))
    assert asked[0] == asked[1] < 10
