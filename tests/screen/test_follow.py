"""Following a run in the store: new rows only, faults in words, nothing twice."""

import shutil

import numpy as np
import pytest
from screen.scenes import Scene, Stage

from benchlog.errors import NotFoundError, StoreError
from benchlog.screen.follow import PIECE, Follower
from benchlog.screen.run_status import KeeperStatus
from benchlog.store import Reader
from benchlog.verdict.run.judges import judge_for


@pytest.fixture
def follow(stage: Stage):
    made: list[Follower] = []

    def follower(run_id: int) -> Follower:
        made.append(Follower(stage.database, run_id, stage.clock))
        return made[-1]

    yield follower
    for one in made:
        one.close()


def test_figures_are_those_of_all_readings_at_once(stage: Stage, follow):
    scene = Scene(readings=500, gaps_after=[120, 300])
    values = scene.values(500)
    run_id = stage.begin(scene)
    stage.readings(run_id, values[:3])
    follower = follow(run_id)
    for at in range(3, 500, 7):
        follower.tick()
        stage.readings(run_id, values[at : at + 7])
    follower.tick()
    with Reader.open(stage.database) as reader:
        judge = judge_for(reader.run(run_id))
        judge.feed(reader.columns_after(run_id))
    found, expected = follower.assess(), judge.assessment()
    assert follower.readings == 500
    assert found.stats.n == expected.stats.n == 500
    assert found.stats.gaps == expected.stats.gaps == 2
    assert np.isclose(found.offset_ppm, expected.offset_ppm, rtol=1e-12)
    assert np.isclose(found.u_ppm, expected.u_ppm, rtol=1e-9)
    assert found.word is expected.word


def test_each_reading_is_read_once(stage: Stage, follow, monkeypatch):
    run_id = stage.begin(Scene())
    values = Scene().values(60)
    stage.readings(run_id, values[:40])
    seen: list[int] = []
    real = Reader.columns_after

    def counted(self, run, after_id=0, limit=None):
        columns = real(self, run, after_id, limit)
        seen.extend(columns.id.tolist())
        return columns

    monkeypatch.setattr(Reader, "columns_after", counted)
    follower = follow(run_id)
    for value in values[40:]:
        follower.tick()
        follower.tick()
        stage.readings(run_id, [value])
    follower.tick()
    assert len(seen) == len(set(seen)) == 60


def test_long_run_comes_in_pieces_and_is_previewed(stage: Stage, follow):
    scene = Scene(readings=60_000, gate_s=0.1)
    run_id = stage.begin(scene)
    stage.block(run_id, scene)
    follower = follow(run_id)
    assert len(follower.spans(0.0, 6_000.0)) > 100  # before a single piece was taken
    assert follower.end_s == pytest.approx(6_000.0)
    taken = []
    while not follower.caught_up:
        taken.append(follower.read_new())
        assert follower.assess() is None or follower.caught_up
    assert 1_000 < max(taken) <= PIECE  # the store may hand out whole blocks
    assert sum(taken) == 60_000
    assert follower.assess().stats.n == 60_000


def test_ended_run_is_seen_and_then_costs_nothing(stage: Stage, follow, monkeypatch):
    run_id = stage.play(Scene(), end=False)
    follower = follow(run_id)
    follower.tick()
    assert follower.standing().live
    stage.end(run_id, "time reached")
    follower.tick()
    assert follower.over
    assert follower.standing().run.ended_how == "time reached"
    monkeypatch.setattr(Reader, "columns_after", None)
    assert follower.tick() is False


def test_resolution_found_later_is_taken_over(stage: Stage, follow):
    run_id = stage.play(Scene(scatter_ppm=0.0), end=False)
    follower = follow(run_id)
    follower.tick()
    before = follower.assess().u_ppm
    stage.writer.set_resolution(run_id, 10.0)
    for _ in range(50):
        follower.tick()
    assert follower.readings == 48
    assert follower.assess().u_ppm > before


def test_no_such_run_and_no_database(stage: Stage, tmp_path):
    with pytest.raises(NotFoundError):
        Follower(stage.database, 7, stage.clock)
    with pytest.raises(StoreError):
        Follower(tmp_path / "none.db", 1, stage.clock)


def test_removed_database_is_said_and_its_return_noticed(stage: Stage, follow):
    run_id = stage.play(Scene(), end=False)
    follower = follow(run_id)
    follower.tick()
    away = stage.database.with_suffix(".away")
    shutil.copy(stage.database, away)
    stage.writer.checkpoint()
    shutil.copy(stage.database, away)
    stage.database.unlink()
    for _ in range(25):
        follower.tick()
    assert "there is no database" in follower.standing().fault
    assert follower.standing().readings == 48
    shutil.copy(away, stage.database)
    for suffix in ("-wal", "-shm"):
        stage.database.with_name(stage.database.name + suffix).unlink(missing_ok=True)
    for _ in range(25):
        follower.tick()
    assert follower.standing().fault == ""


def test_another_database_in_its_place_is_not_taken_for_it(
    stage: Stage, follow, tmp_path
):
    run_id = stage.play(Scene(), end=False)
    follower = follow(run_id)
    follower.tick()
    other = Stage(tmp_path / "other.db")
    other.clock.now_utc_ns += 10**12
    other.writer.begin_run(Scene(device="other").plan(), {}, Scene().timebase)
    other.writer.checkpoint()
    other.close()
    stage.database.unlink()
    shutil.copy(tmp_path / "other.db", stage.database)
    for suffix in ("-wal", "-shm"):
        stage.database.with_name(stage.database.name + suffix).unlink(missing_ok=True)
    for _ in range(25):
        follower.tick()
    assert "was replaced by another database" in follower.standing().fault
    assert follower.run.device == "Q-0417"


def test_trouble_is_over_when_a_reading_comes(stage: Stage, follow):
    scene = Scene()
    values = scene.values(30)
    run_id = stage.begin(scene)
    stage.readings(run_id, values[:10])
    follower = follow(run_id)
    follower.tick()
    stage.event(run_id, 10.5, "lost", "connection refused")
    follower.tick()
    assert follower.standing().trouble.text == "connection refused"
    stage.readings(run_id, values[10:11])
    follower.tick()
    assert follower.standing().trouble is None


def test_elapsed_time_of_live_ended_and_abandoned_runs(stage: Stage, follow):
    run_id = stage.play(Scene(), end=False)
    stage.clock.sleep(100.0)
    follower = follow(run_id)
    follower.tick()
    assert follower.elapsed_s == pytest.approx(148.0)
    follower.heard(KeeperStatus(state="gone"))
    assert follower.elapsed_s == pytest.approx(48.0)
    stage.end(run_id, "stopped")
    follower.heard(KeeperStatus(state="gone"))  # it went because it was done
    assert follower.standing().keeper.state == "unknown"
    assert follower.elapsed_s == pytest.approx(148.0)


def test_rows_that_wait_are_told_only_when_they_are_held_up(stage: Stage, follow):
    run_id = stage.play(Scene(), end=False)
    follower = follow(run_id)
    follower.tick()
    busy = KeeperStatus(state="here", rows_waiting=2)
    follower.heard(busy)
    assert follower.keeper.rows_waiting == 0  # it may be a moment's work
    stage.readings(run_id, Scene().values(49)[48:])
    follower.tick()
    follower.heard(busy)
    assert follower.keeper.rows_waiting == 0  # one has come through
    follower.heard(KeeperStatus(state="here", rows_waiting=9))
    assert follower.keeper.rows_waiting == 2
    follower.heard(KeeperStatus(state="here"))
    assert follower.keeper.rows_waiting == 0
    follower.heard(busy)
    follower.heard(busy)
    assert follower.keeper.rows_waiting == 2
    stage.end(run_id, "stopped")
    follower.tick()
    assert follower.keeper == KeeperStatus()
    follower.heard(busy)
    assert follower.keeper == KeeperStatus()
