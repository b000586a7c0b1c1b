"""What is printed of runs that were measured together, one of them in quarantine."""

import json
from pathlib import Path

import pytest
from store.making import begin, reading

from benchlog.cli.tasks import measuring, soaking
from benchlog.cli.tasks.measuring import Manner
from benchlog.clock import VirtualClock
from benchlog.errors import UnreadableRunError
from benchlog.model import Purpose
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.writer import Writer


@pytest.fixture
def database(tmp_path) -> Path:
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        for _ in range(2):
            run, segment = begin(writer, purpose=Purpose.SOAK)
            writer.commit([(run, segment, reading(n)) for n in range(20)])
            writer.end_run(run, "time reached")
        writer.put_aside((RUN, 1), "a page of it is damaged", "test")
    return path


@pytest.mark.parametrize("report", [measuring.report, soaking.report])
def test_the_other_one_is_printed_and_the_code_says_undecided(database, report, capfd):
    code = report((1, 2), Manner(database=database, as_json=True, no_screen=True))
    printed = capfd.readouterr()
    (document,) = json.loads(printed.out)
    assert (code, document["run"], document["verdict"]) == (4, 2, "pass")
    assert "run 1 is left out: it is in quarantine" in printed.err


def test_one_alone_that_cannot_be_read_is_an_error(database):
    with pytest.raises(UnreadableRunError, match="in quarantine"):
        measuring.report((1,), Manner(database=database, as_json=True, no_screen=True))
