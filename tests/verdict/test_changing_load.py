"""Late stamps under a load that changes: in words, in the document, as an event."""

from dataclasses import replace

import numpy as np
import pytest
from pulse_campaign import CELLS, JITTER_S
from pulse_scene import FORK, PulseScene
from seeds import seeded_generator

from benchlog.clock import VirtualClock
from benchlog.errors import DataError
from benchlog.evaluation.document import figures
from benchlog.evaluation.reference_finding import finding_of
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import (
    Flag,
    InstrumentSpec,
    Pulses,
    Purpose,
    ReferenceSpec,
    Run,
    Timebase,
)
from benchlog.recorder.run.judge_batches import JudgeNews
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.verdict.run.pulse_judge import PulseJudge, Trains

TIME = Timebase(status="stated", offset_ppm=0.0, u_ppm=0.0, u_s=1e-7)
RUN = Run(
    id=1, purpose=Purpose.MEASURE, device="D", part=FORK, position="A", bench="b",
    nominal_hz=32768.0, divider=32768.0, simulated=False, started_utc_ns=0,
    ended_utc_ns=None, ended_how=None,
)  # fmt: skip


def judged(cell, n=600, seed=1):
    """Return what the judge makes of a device exactly on nominal, under a load."""
    delay = CELLS[cell].delay(n, seeded_generator(seed))
    mono = np.sort(np.round((1000 + np.arange(n) + JITTER_S * delay) * 1e9))
    mono = mono.astype(np.int64)
    judge = PulseJudge(FORK, Trains("device", None, 1.0, 32768.0), TIME)
    judge.feed(
        Pulses(
            id=np.arange(1, n + 1),
            segment=np.ones(n, np.int64),
            instrument=np.array(["device"] * n),
            utc_ns=mono + 10**18,
            mono_ns=mono,
            sequence=np.arange(1, n + 1),
            flags=np.full(n, int(Flag.NONE)),
            ambient_c=(),
        )
    )
    return judge


def test_a_growing_load_is_told_and_does_not_move_the_offset():
    judge = judged("growing share late")
    found = judge.assessment()
    # 0.9 ms more delay on average over 600 s: 1 ppm and more through all stamps
    assert abs(found.offset_ppm) < found.u_ppm < 0.5
    assert found.timing.load_change in found.reasons
    assert found.timing.load_change.startswith("the share of late stamps changes")
    assert "earliest stamps of" in found.budget.lines[-1].text
    assert len(judge.charted()) > 20


def test_a_quiet_computer_gets_no_warning():
    for cell in ("two-sided", "one-sided"):
        found = judged(cell).assessment()
        assert found.timing.load_change == ""
        assert not any("late stamps" in one for one in found.reasons)


def test_the_document_has_the_shares():
    timing = timing_of("growing share late")
    assert timing["earliest_stamps"] and timing["load_changes"]
    assert len(timing["late_shares"]) == 4
    assert timing["late_shares"][3] > timing["late_shares"][0]
    assert timing["reference_late_shares"] is None
    quiet = timing_of("two-sided")
    assert quiet["late_shares"] is None and not quiet["earliest_stamps"]


def timing_of(cell):
    return figures(Evaluation(run=RUN, assessment=judged(cell).assessment()))["timing"]


def test_the_recorder_notes_it_once():
    news = JudgeNews()
    found = judged("growing share late").assessment()
    assert news.of(found) == [found.timing.load_change]
    assert news.of(found) == []


@pytest.mark.parametrize("whose", ["divided", "gps"])
def test_a_reference_check_by_pulses_at_twice_the_rate_finds_nothing(tmp_path, whose):
    """Every second pulse is on the stated grid: without the rate it looks perfect."""
    clock = VirtualClock()
    with Writer.open(tmp_path / "b.db", clock) as writer:
        scene = PulseScene(writer, clock, n=100)
        scene.begin()
        half_ns = 5 * 10**8
        between = [
            replace(one, mono_ns=one.mono_ns + half_ns, utc_ns=one.utc_ns + half_ns)
            for one in scene.edges
            if one.instrument == whose
        ]
        scene.edges = sorted(scene.edges + between, key=lambda one: one.mono_ns)
        scene.end()
    reference = ReferenceSpec(counter="c", pulses="gps", timebase="divided", u_s=5e-8)
    counter = InstrumentSpec(name="c", driver="scpi-counter", timebase_ppm=0.5)
    with (
        Reader.open(tmp_path / "b.db") as reader,
        pytest.raises(DataError, match="2 times as often as stated"),
    ):
        finding_of(reader, reader.run(1), reference, counter)
