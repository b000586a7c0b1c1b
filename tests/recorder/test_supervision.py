"""Instrument processes that take too much; what a keeper notices by itself; alarms."""

import json
import sys
from contextlib import closing, nullcontext
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from warm_program import cold_starts

from benchlog.clock import host_deadline, host_sleep
from benchlog.model import AlarmRule, EventKind, Flag
from benchlog.recorder.instruments.process_limits import Flood, resident_mb
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader


def kept(plan, database, clock):
    (run_id,) = keep([plan], database, clock, tell=lambda _: None)
    with closing(Reader.open(database)) as reader:
        return (
            reader.columns_after(run_id),
            [event for _, event in reader.events(run_id)],
        )


@pytest.fixture
def kept_by(plan_for, database, clock):
    return lambda driver, **options: kept(plan_for(driver, **options), database, clock)


@pytest.mark.parametrize(
    ("driver", "readings", "kind", "said"),
    [
        ("stranger-leaks", 200, EventKind.LEAKED, "had grown to"),
        (
            "stranger-floods",
            200,
            EventKind.FLOODED,
            "said more than anybody could keep",
        ),
    ],
)
def test_what_takes_too_much_is_ended_and_started_anew(
    kept_by, monkeypatch, *, driver, readings, kind, said
):
    starts = nullcontext()
    where = "benchlog.recorder.instruments.instrument_handle"
    # readings come at 100 a second; a driver with a tenth of a core floods faster, too
    monkeypatch.setattr(f"{where}.Flood", partial(Flood, 400))
    if kind == EventKind.LEAKED:
        monkeypatch.setattr(f"{where}.MEMORY_MB", 150)
        starts = cold_starts()  # what is forked has all our libraries in its memory
    # a pause of 5 s follows, since it will do it again
    with starts:
        columns, events = kept_by(driver, readings=readings, max_s=100.0)
    told = [event for event in events if event.kind == kind]
    assert len(told) == 1
    assert said in told[0].text
    assert "SIGKILL" in told[0].text
    assert (columns.flags & Flag.GAP_BEFORE).any()
    assert len(np.unique(columns.mono_ns)) == len(columns) == readings


def test_a_step_is_told_with_its_size(plan_for, database, clock):
    plan = plan_for("stranger-knocked", readings=500, max_s=60.0)
    gate = {**plan.bench.instruments["counter"].options, "gate_s": 0.002}
    counter = replace(plan.bench.instruments["counter"], options=gate)
    plan = replace(plan, bench=replace(plan.bench, instruments={"counter": counter}))
    _, events = kept(plan, database, clock)
    (step,) = [event for event in events if event.kind == EventKind.STEP]
    assert "stepped by +20" in step.text


def test_an_alarm_is_an_event_and_a_message(plan_for, database, clock, tmp_path):
    out = tmp_path / "letter"
    write = "import sys; open(sys.argv[1], 'a').write(sys.argv[2] + '\\n')"
    rule = AlarmRule(
        when="offset_ppm",
        above=-1.0,
        quiet_s=600.0,
        command=(sys.executable, "-c", write, str(out), "{state} {subject}"),
    )
    plan = plan_for("stranger-steady", readings=500, max_s=90.0)
    nobody = AlarmRule(when="offset_ppm", above=-2.0, command=("/no/such/program",))
    plan = replace(plan, bench=replace(plan.bench, alarms=(rule, nobody)))
    _, events = kept(plan, database, clock)
    alarms = [event for event in events if event.kind == EventKind.ALARM]
    assert len(alarms) == 2
    assert all("C-0001: offset" in alarm.text for alarm in alarms)
    (unsent,) = [event for event in events if event.kind == EventKind.ALARM_UNSENT]
    # which program that is, the bench file of this computer knows, and nothing else
    assert "its program: No such file" in unsent.text
    assert "/no/such" not in unsent.text
    limit = host_deadline(10)
    while not out.exists():
        assert not limit.passed
        host_sleep(0.02)
    assert out.read_text() == "raised C-0001\n"


def test_a_message_that_fails_when_the_run_is_over_is_told(
    plan_for, database, clock, tmp_path
):
    over = tmp_path / "over"
    wait = (
        "import os, sys, time\n"
        "while not os.path.exists(sys.argv[1]): time.sleep(0.02)\n"
        "sys.exit(7)"
    )
    program = (sys.executable, "-c", wait, str(over))
    rule = AlarmRule(when="offset_ppm", above=-1.0, quiet_s=600.0, command=program)
    plan = plan_for("stranger-steady", readings=300, max_s=90.0)
    plan = replace(plan, bench=replace(plan.bench, alarms=(rule,)))

    def tell(notice):
        if notice.kind == "ended":
            over.touch()

    keep([plan], database, clock, tell=tell)
    with closing(Reader.open(database)) as reader:
        kinds = [event.kind for _, event in reader.events(1)]
        (unsent,) = [e for _, e in reader.events(1) if e.kind == EventKind.ALARM_UNSENT]
        run = reader.run(1)
    assert EventKind.ALARM in kinds and kinds[-1] == EventKind.ALARM_UNSENT
    assert unsent.utc_ns >= run.ended_utc_ns
    assert "its program" in unsent.text and "7" in unsent.text


class Window:
    passed = False


def test_a_flood_is_counted_in_windows():
    window = Window()
    flood = Flood(100, lambda _: window)
    assert not any(flood.is_one(50) for _ in range(4))
    assert flood.is_one(1)
    window.passed = True
    assert not flood.is_one(1)


def test_what_waited_while_nobody_heard_is_no_flood():
    window = Window()
    flood = Flood(100, lambda _: window, waiting=1_000)
    assert not flood.is_one(600)
    window.passed = True
    assert not flood.is_one(400)
    window.passed = False
    assert not flood.is_one(200)
    assert flood.is_one(1)


def test_memory_of_what_is_gone_is_none():
    assert resident_mb(2**22 - 3) == 0.0
    assert json.dumps(resident_mb(1)) != "null"
