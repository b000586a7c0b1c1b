"""What `import` tells of rows that come back into their run."""

import pytest
from click.testing import CliRunner
from store.making import COUNTER, begin, reading

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.model import Purpose, ReferenceCheck
from benchlog.store.unsaved_rows import save_rows
from benchlog.store.writer import Writer


def brought_back(tmp_path, *, has_check: bool) -> str:
    """Return what is told as a reading comes back into a run, and what to do."""
    with Writer.open(tmp_path / "bench.db", VirtualClock()) as writer:
        run, segment = begin(writer, purpose=Purpose.REFCHECK)
        writer.commit([(run, segment, reading(0))])
        writer.end_run(run, "stopped")
        if has_check:
            writer.add_reference_check(
                ReferenceCheck(
                    instrument=COUNTER,
                    offset_ppm=0.1,
                    u_ppm=0.02,
                    method="pulses",
                    at_utc_ns=1,
                    valid_until_utc_ns=2,
                    run_id=run,
                )
            )
        file = save_rows([(run, segment, reading(1))], writer.path, [tmp_path], None)
    words = ["import", str(file), "--again", "--db", str(tmp_path / "bench.db")]
    done = CliRunner().invoke(root, words, catch_exceptions=False)
    assert done.exit_code == 0
    assert "1 reading" in done.stdout
    return done.stderr


@pytest.mark.parametrize("has_check", [True, False])
def test_a_check_that_was_found_without_what_came_back_is_told(tmp_path, has_check):
    told = brought_back(tmp_path, has_check=has_check)
    assert ("found without what came back" in told) is has_check
    assert ("benchlog void 1 --reason" in told) is has_check
