"""Plain lines: at most two readings a second, every event, nothing hostile."""

from types import SimpleNamespace
from typing import Any

import pytest
from columns_maker import columns, part_of

from benchlog.cli.narrator import Narrator
from benchlog.cli.tasks.headless import Narration
from benchlog.model import (
    Decision,
    Event,
    Kind,
    Limits,
    Part,
    Reading,
)
from benchlog.recorder.narration import reading_line, standing_line
from benchlog.verdict.run.early_stop import EarlyStop, StopRule
from benchlog.verdict.run.reading_judge import RunJudge


def told(kind: str, run_id: int = 1, **more: Any) -> Any:
    empty = {
        "reading": None,
        "pulse": None,
        "event": None,
        "assessment": None,
        "text": "",
    }
    return SimpleNamespace(run_id=run_id, kind=kind, **(empty | more))


def reading(n: int, run_id: int = 1) -> Any:
    stats = SimpleNamespace(n=n)
    assessment = SimpleNamespace(
        stats=stats, offset_ppm=-9.25, u_ppm=0.58, word=Decision.PASS,
        outliers=None, at_reference=None, jitter=None,
    )  # fmt: skip
    value = Reading(0, n, 0.1, 15_999_852.0, 24.9)
    return told("reading", run_id, reading=value, assessment=assessment)


def test_begin_reading_event_end(capsys: pytest.CaptureFixture[str]) -> None:
    with Narrator() as narrator:
        narration = Narration(narrator)
        narration.tell(told("event", event=Event(0, 0, "started", "measure of KX-1")))
        narration.tell(told("begun"))
        narration.tell(reading(1))
        narration.tell(told("event", event=Event(0, 0, "lost", "gone\x1b[2J")))
        narration.tell(told("event", event=Event(0, 0, "ended", "verdict clear")))
        narration.tell(told("ended", text="verdict clear"))
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.splitlines() == [
        "run 1 started: measure of KX-1",
        "     1  15,999,852.0000 Hz  offset -9.25 ppm  U 0.58 ppm  24.9 C  pass",
        "lost: gone\\x1b[2J",
        "run 1 ended: verdict clear",
    ]


def test_fast_readings_are_thinned(capsys: pytest.CaptureFixture[str]) -> None:
    with Narrator() as narrator:
        narration = Narration(narrator)
        narration.tell(told("begun"))
        for n in range(1, 1000):
            narration.tell(reading(n))
    assert capsys.readouterr().err.count("offset") <= 2


def test_several_runs_are_named_and_thinned_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with Narrator() as narrator:
        narration = Narration(narrator)
        for run_id in (1, 2):
            narration.tell(told("begun", run_id))
        for run_id in (1, 2):
            narration.tell(reading(1, run_id))
    said = capsys.readouterr().err
    assert "run 1:      1  " in said and "run 2:      1  " in said


def test_a_jitter_that_fails_is_said_and_columns_keep_their_width(
    capsys: pytest.CaptureFixture[str],
) -> None:
    judge = RunJudge(
        Part(
            id="x",
            title="x",
            kind=Kind.QUARTZ,
            nominal_hz=16e6,
            limits=Limits(tolerance_ppm=30, jitter_ppm=0.001),
        )
    )
    hz = [16e6 + step for step in (0.5, 0.25, 0.125, 0.0, 0.75, 0.5, 0.25, 0.0)]
    lines = []
    for n in range(1, len(hz) + 1):
        judge.feed(part_of(columns(hz), n - 1, n))
        value = Reading(0, n, 1.0, hz[n - 1], 24.9)
        lines.append(
            reading_line(told("reading", reading=value, assessment=judge.assessment()))
        )
    assert "offset 0.0 ppm  U - ppm" in lines[0]
    assert lines[-1].endswith("fail (jitter 0.0177 ppm rms, limit 0.001 ppm)")
    assert {line.index(" Hz") for line in lines} == {lines[0].index(" Hz")}


@pytest.mark.parametrize(
    ("n", "gaps", "said"),
    [(1, 1, "run 1: 1 reading in 1 s, 1 gap, "), (2, 0, "run 1: 2 readings in")],
)
def test_one_is_said_as_one(n: int, gaps: int, said: str) -> None:
    stats = SimpleNamespace(n=n, span_s=float(n), gaps=gaps)
    assessment = SimpleNamespace(
        stats=stats, offset_ppm=-9.25, u_ppm=0.58, word=Decision.PASS,
        outliers=None, at_reference=None, jitter=None, timing=None,
    )  # fmt: skip
    assert said in standing_line(told("reading", assessment=assessment))


def test_one_pulse_is_said_as_one_and_columns_keep_their_width() -> None:
    lines = []
    for n in (1, 2):
        assessment = SimpleNamespace(
            stats=SimpleNamespace(n=n), offset_ppm=-9.25, u_ppm=0.58,
            word=Decision.PASS, outliers=None, at_reference=None, jitter=None,
            timing=None,
        )  # fmt: skip
        lines.append(reading_line(told("reading", pulse=n, assessment=assessment)))
    assert "     1 pulse  " in lines[0] and "     2 pulses  " in lines[1]
    assert lines[0].index("offset") == lines[1].index("offset")


def test_a_look_after_one_reading_says_one() -> None:
    stats = SimpleNamespace(n=1)
    stop = EarlyStop(StopRule())
    assert "by 1 reading," in stop.step(SimpleNamespace(stats=stats)).text
