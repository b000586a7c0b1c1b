"""Figures as text: rounding, units, words; pure functions."""

from dataclasses import replace

import pytest
from screen.scenes import QUARTZ, Scene, Stage
from textual.content import Content

from benchlog.model import Event, EventKind
from benchlog.screen import event_text as happenings
from benchlog.screen import figures, panels
from benchlog.screen.follow import Follower
from benchlog.screen.run_status import (
    KeeperStatus,
    RunStatus,
    state_words,
    trouble_after,
)
from benchlog.screen.widgets.text import cut_between_words
from benchlog.verdict.run.budget import BudgetLine, budget_of


@pytest.fixture
def standing(stage: Stage) -> RunStatus:
    """Return how a run of 148 Hz low at 16 MHz stands."""
    scene = Scene(offset_ppm=-9.25, scatter_ppm=0.001)
    run_id = stage.begin(scene)
    stage.readings(run_id, scene.values(48))
    follower = Follower(stage.database, run_id, stage.clock)
    follower.tick()
    follower.assess()
    try:
        return follower.standing()
    finally:
        follower.close()


def test_the_budget_fits_its_place_whatever_its_lines_are(standing: RunStatus):
    """live.tcss leaves 36 cells and 5 lines; none may be cut."""
    us_ppm = {"reference, ends": 4.7e-4, "temperature law": 0.12, "statistics": 0.058}
    us_ppm |= {"resolution": 3e-6, "thermometer": 0.02, "time base": 123.4}
    for n in range(1, len(us_ppm) + 1):
        lines = [BudgetLine(name=a, u_ppm=u) for a, u in list(us_ppm.items())[:n]]
        found = assessed(standing, budget=budget_of(lines))
        rows = panels.budget(replace(standing, assessment=found)).plain.splitlines()
        assert len(rows) == 1 + min(n, 4)
        assert all(len(row) <= 36 and row.rstrip().endswith("%") for row in rows[1:])
    assert rows[-1].startswith("3 others") and "time base" in "".join(rows)


def assessed(standing: RunStatus, **changes):
    assert standing.assessment is not None
    return replace(standing.assessment, **changes)


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({"until_clear": True}, "48 s, until the verdict is clear"),
        (
            {"until_clear": True, "max_readings": 300, "max_s": 300.0},
            "48 s, until the verdict is clear (252 readings, 4 min 12 s left)",
        ),
        ({"max_readings": 100}, "48 s, 52 readings left"),
        ({"max_s": 43_200.0}, "48 s, 11 h 59 min left"),
        (
            {"max_readings": 100, "max_s": 100},
            "48 s, 52 readings or 52 s left",
        ),
        ({}, "48 s, until stopped"),
    ],
)
def test_what_is_left(standing: RunStatus, plan, said):
    planned = replace(standing, run=replace(standing.run, snapshot=plan))
    wordings = figures.time_texts(planned)
    assert wordings[0] == said
    assert list(wordings) == sorted(wordings, key=len, reverse=True)
    assert all(wording.startswith("48 s") for wording in wordings)


# --- what a run is doing --------------------------------------------------------------


def event(kind: str, mono_ns: int = 10, text: str = "") -> Event:
    return Event(0, mono_ns, kind, text)


def test_states_in_words(standing: RunStatus):
    assert state_words(standing) == "measuring"
    gone = replace(standing, keeper=KeeperStatus(state="gone"))
    assert state_words(gone) == "broken off: its keeper is gone"
    assert not gone.live
    assert (
        state_words(replace(standing, keeper=KeeperStatus(state="here", paused=True)))
        == "paused"
    )
    lost = replace(standing, trouble=event(EventKind.LOST))
    assert state_words(lost).startswith("the instrument is lost")
    none = replace(standing, readings=0)
    assert state_words(none) == "waiting for the first reading"
    closed = replace(standing.run, ended_utc_ns=5, ended_how=None)
    assert state_words(replace(standing, run=closed)) == "ended: no reason given"


def test_trouble_lasts_until_it_is_back_or_a_reading_came():
    lost = event(EventKind.LOST)
    assert trouble_after(None, lost, 5) is lost
    assert trouble_after(None, lost, 15) is None
    assert trouble_after(lost, event(EventKind.NOTE), 5) is lost
    assert trouble_after(lost, event(EventKind.BACK, 20), 5) is None


def test_events_are_words_with_their_time():
    said = happenings.event_words(
        Event(1_900_000_000 * 10**9, 0, "no-signal", "nothing\n at\tinput 1", "counter")
    )
    assert said == "17:46:40  no signal: nothing at input 1 (counter)"
    assert happenings.event_words(event(EventKind.PAUSED, text="paused")).endswith(
        "  paused"
    )


def test_what_matters_most_comes_first_in_the_news(standing: RunStatus):
    suspect = replace(standing.assessment.stats, n_suspect=40)
    reasons = ("40 of 48 readings lie near +-2 times nominal: check divider",)
    warned = replace(standing, assessment=assessed(standing, stats=suspect))
    warned = replace(warned, assessment=replace(warned.assessment, reasons=reasons))
    assert "check divider" in panels.news(warned, "", listed=True).plain
    assert panels.news(warned, "kept", listed=False).plain == "» kept"
    far = replace(warned, assessment=assessed(standing, offset_ppm=-937_500.0))
    assert "is the divider 16, not 1?" in panels.news(far, "", listed=True).plain
    faulty = replace(warned, fault="the disk is full")
    assert panels.news(faulty, "kept", listed=False).plain == "the disk is full"
    assert panels.news(standing, "", listed=True).plain == ""
    for count, said in ((1, "1 row waits in"), (3, "3 rows wait in")):
        waiting = replace(
            standing, keeper=KeeperStatus(state="here", rows_waiting=count)
        )
        assert panels.news(waiting, "", False).plain.startswith(said)


def test_jitter_limit_is_named_with_its_verdict(standing: RunStatus):
    assert QUARTZ.limits.jitter_ppm == 0.5
    facts = dict(panels.facts(standing))
    assert facts["limit"] == "tolerance 30 ppm; jitter 0.5 ppm: pass"


def test_what_u_is_made_of_is_said_once(standing: RunStatus):
    alone = dict(panels.facts(standing))
    beside_its_table = dict(panels.facts(standing, listed=True))
    assert alone["U"].startswith("mostly")
    assert "U" not in beside_its_table
    assert beside_its_table["because"].startswith("offset")


def test_facts_are_cut_between_words_and_keep_numbers_whole():
    text = "0.036 ppm rms, 0.19 ppm p-p (0.57 Hz, 3.1 Hz), gate 1 s"
    words = {word.strip("(),") for word in text.split()}
    for cells in range(12, len(text) + 2):
        cut = cut_between_words(Content(text), cells).plain
        assert len(cut) <= cells
        assert {word.strip("(),") for word in cut.split()} <= words | {"…"}, cut
