"""Trouble each second: told at once, counted, and over; nothing of it is lost."""

import re
from itertools import pairwise
from types import SimpleNamespace

import pytest
from keeper_door import soak_plan
from store.making import begin, fresh_writer

from benchlog.clock import VirtualClock
from benchlog.model import EventKind
from benchlog.recorder.instruments.instrument_messages import Failed
from benchlog.recorder.rack.rack_keeper import RackKeeper
from benchlog.recorder.rack.rack_reports import RackReports
from benchlog.recorder.rack.setter_handle import SetterReport
from benchlog.recorder.rack.setter_job import SetterJob
from benchlog.recorder.run.commit_queue import CommitQueue, OpenRuns
from benchlog.recorder.run.intake import Intake
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.recurring import HOUR_S, OVER_S, RecurringTrouble, Trouble
from benchlog.units import NS_PER_S, iso_utc
from benchlog.verdict.run.reading_judge import RunJudge

COUNT = re.compile(r"\(([\d,]+) times from (\S+) to (\S+?)(; over)?\)$")
BEGAN_NS = 1_900_000_000 * NS_PER_S
SETTERS = ("chamber", "supply", "scanner")


def liar(at_s: int) -> Trouble:
    return Trouble(
        EventKind.SETTER,
        f"setter 'supply': fault: garbled answer '{at_s:x}' ({at_s})",
        "supply",
        b"%d" % at_s,
    )


def told_in(seconds: range, trouble=liar) -> list[tuple[int, Trouble]]:
    """Return what is told of a trouble each second, and when."""
    series, told = RecurringTrouble(), []
    for at_s in seconds:
        at_ns = at_s * NS_PER_S
        told += [(at_s, one) for one in series.of(trouble(at_s), at_ns, at_ns)]
        told += [(at_s, one) for one in series.due(at_ns)]
    return told


def count_of(trouble: Trouble) -> int:
    found = COUNT.search(trouble.text)
    assert found is not None, trouble.text
    return int(found[1].replace(",", ""))


def test_an_event_a_second_for_three_hours_is_told_fourteen_times() -> None:
    told = told_in(range(3 * 3_600))
    assert len(told) == 14  # 10,800 before
    assert told[0] == (0, liar(0)), "at once, as it came"
    assert [at_s for at_s, _ in told[:6]] == [0, 1, 3, 7, 15, 31]
    gaps = [b - a for (a, _), (b, _) in pairwise(told)]
    assert max(gaps) == HOUR_S, "each hour in the end"
    for at_s, one in told[1:]:
        assert count_of(one) == at_s + 1, "none is lost"
        assert one.raw == b"%d" % at_s


def test_what_is_over_is_told_with_the_first_and_the_last() -> None:
    series = RecurringTrouble()
    for at_s in range(100):
        series.of(liar(at_s), BEGAN_NS + at_s * NS_PER_S, at_s * NS_PER_S)
    end_ns = round((99 + OVER_S) * NS_PER_S)
    before = [count_of(one) for one in series.due(end_ns - 1)]
    (over,) = series.due(end_ns)
    first, last = iso_utc(BEGAN_NS), iso_utc(BEGAN_NS + 99 * NS_PER_S)
    assert over.text.endswith(f" (100 times from {first} to {last}; over)")
    assert before in ([], [100])
    assert series.due(2 * end_ns) == []
    assert series.of(liar(1), 0, end_ns) == [liar(1)], "anew, it is told at once"


def test_what_came_once_is_told_once() -> None:
    series = RecurringTrouble()
    assert series.of(liar(0), 0, 0) == [liar(0)]
    assert series.due(10**15) == []


def test_the_end_of_a_run_tells_what_is_untold() -> None:
    series = RecurringTrouble()
    for at_s in range(5):
        series.of(liar(at_s), 0, at_s * NS_PER_S)
    (last,) = series.due(5 * NS_PER_S, ended=True)
    assert count_of(last) == 5
    assert "over" not in last.text


def test_somebody_with_new_words_each_time_is_bounded_too() -> None:
    def inventive(at_s: int) -> Trouble:
        return Trouble(EventKind.SETTER, "fault: " + "z" * (at_s % 900), "supply")

    told = told_in(range(2_000), inventive)
    assert len(told) < 17 * 12


# --- the whole way: reports of three setters that lie, rows of each run of a rack


@pytest.fixture
def rack(tmp_path):
    """Two runs of a rack and what its setters report, over a real database."""
    for writer in fresh_writer(tmp_path):
        yield rack_of(writer)


def rack_of(writer):
    told: list[tuple[int, str]] = []
    runs = OpenRuns(CommitQueue(writer), lambda run, one: told.append((run, one.text)))
    plan = soak_plan()
    for _ in range(2):
        run_id, segment_id = begin(writer)
        runs.by_id[run_id] = LiveRun(
            plan=plan,
            position=plan.bench.positions[0],
            spec=plan.bench.instruments["counter"],
            run_id=run_id,
            segment_id=segment_id,
            judge=RunJudge(plan.part),
            clock=VirtualClock(),
        )
    specs = {name: SimpleNamespace(quantity="voltage", name=name) for name in SETTERS}
    keeper = SimpleNamespace(
        surroundings=SimpleNamespace(clock=VirtualClock()),
        setters={
            name: SimpleNamespace(job=SetterJob(spec=spec, bounds=(0, 5), dead_man_s=5))
            for name, spec in specs.items()
        },
        book=SimpleNamespace(runs=runs),
    )
    keeper.trouble_all = lambda text, name: RackKeeper.trouble_all(keeper, text, name)
    keeper.note_all = lambda text, name="": RackKeeper.note_all(keeper, text, name)
    task = SimpleNamespace(bench=SimpleNamespace(instruments=specs))
    return SimpleNamespace(reports=RackReports(keeper, task), runs=runs, told=told)


def test_three_setters_that_lie_fill_no_database(rack) -> None:
    for number in range(500):
        for name in SETTERS:
            said = f"garbled answer {number}"
            rack.reports.heard(name, SetterReport(kind="fault", text=said))
    assert len(rack.told) < 2 * 3 * 8  # 3,000 before: one for each run and report
    for run in rack.runs.all():
        rack.runs.tell_due(run, ended=True)
    for name in SETTERS:
        last = [text for _, text in rack.told if name in text][-1]
        assert "(500 times from " in last
    assert rack.runs.queue.waiting == len(rack.told), "rows, each of them"


def test_an_outage_with_new_garbage_each_time_is_bounded(rack) -> None:
    """Before: an event in each run for each answer, and all of them kept in memory."""
    intake = Intake(rack.runs, None, VirtualClock())
    for number in range(200):
        raw = b"%d" % number
        said = f"garbled: {number}"
        failed = Failed(
            kind="garbled", message=said, address="a", command="READ?", raw=raw
        )
        intake.failed("counter", failed)
    assert len(rack.told) == 2 * 16
    intake._back("counter")  # private: what the next value begins with
    assert rack.told[-1][1].endswith("and 200 failed attempts")
