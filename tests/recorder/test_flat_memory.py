"""What a keeper keeps in memory does not grow with its runs or with its log.

What grew in a keeper for hours was found by `tracemalloc` snapshots of one that was
asked over its control socket (`tests/soak/memory.py`): tables of the noise models, and
the whole log read at each look for damage.
"""

import tracemalloc
from contextlib import contextmanager

import numpy as np
from seeds import seeded_generator
from store.making import begin, connection_of, fresh_writer, reading

from benchlog.analysis.running import Running
from benchlog.analysis.uncertainty import mean_uncertainty
from benchlog.model import Columns, Flag
from benchlog.store.files import wal_of
from benchlog.store.integrity.log_check import log_state

PIECE = 40


@contextmanager
def traced():
    """Yield what tells the memory that was taken since: now, and at most."""
    tracemalloc.start()
    try:
        yield tracemalloc.get_traced_memory
    finally:
        tracemalloc.stop()


def piece_of(rng, at: int) -> Columns:
    """Return some readings with a gap before the first of them."""
    mono_ns = (at * PIECE + np.arange(PIECE)) * 10**8 + at * 10**9
    flags = np.zeros(PIECE, np.int64)
    flags[0] = Flag.GAP_BEFORE if at % 5 == 4 else Flag.NONE
    return Columns(
        id=np.zeros(PIECE, np.int64),
        segment=np.ones(PIECE, np.int64),
        utc_ns=1_900_000_000 * 10**9 + mono_ns,
        mono_ns=mono_ns,
        gate_s=np.full(PIECE, 0.1),
        frequency_hz=16e6 + rng.normal(0, 1.0, PIECE),
        ambient_c=np.full(PIECE, 23.0),
        flags=flags,
    )


def test_a_run_keeps_no_more_the_longer_it_lasts():
    """Before, 11 MB more at the end: 64 tables of 0.2 MB were kept."""
    rng, run, marks = seeded_generator(26), Running(16e6), []
    with traced() as taken:
        for at in range(50):
            run.feed(piece_of(rng, at))
            assert mean_uncertainty(run.stats()) is not None
            marks.append(taken()[0] / 1e6)
    assert marks[-1] - marks[20] < 1.5, f"MB: {marks[20]:.1f} to {marks[-1]:.1f}"


def test_a_long_log_is_looked_at_in_little_memory(tmp_path):
    """Before, it was read as a whole, twice at each look, in a thread of its own."""
    for writer in fresh_writer(tmp_path):
        connection_of(writer).execute("pragma wal_autocheckpoint=0")
        run, segment = begin(writer)
        for at in range(100):
            writer.commit([(run, segment, reading(at * 50 + i)) for i in range(50)])
        log = wal_of(tmp_path / "bench.db")
        size = log.stat().st_size
        assert size > 2_000_000
        with traced() as taken:
            state = log_state(log)
            assert taken()[1] < 800_000
        assert not state.damaged
        assert state.sound == (size - 32) // (4096 + 24)
