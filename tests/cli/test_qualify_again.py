"""Going on with a sequence that was cut, beside runs of strangers and edited benches.

Nothing is opened here: it is found out before that what would be gone on with.
"""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner
from recorder.rack.virtual_devices import INSTRUMENTS
from store.making import COUNTER

from benchlog.catalogue import load_part
from benchlog.cli import root
from benchlog.cli.tasks.going_on.cut_rack import prepare_again, used_from_elsewhere
from benchlog.cli.tasks.qualifying import QualifyWish, prepare
from benchlog.clock import VirtualClock, host_clock
from benchlog.errors import ConfigError, NotFoundError, UsageError
from benchlog.model import STEP_OVER, Event, EventKind, Timebase
from benchlog.recorder.rack.rack_script import COMPLETE
from benchlog.simulate.rack_scenario import bench_lines, rack_scenario
from benchlog.store.writer import Writer

PART = "vctcxo-10mhz-1ppm"
SEQUENCE = "temperature-five-points"
NOWHERE = dict.fromkeys(INSTRUMENTS, "TCPIP::127.0.0.1::9::SOCKET") | {
    "chamber": "modbus://127.0.0.1:9"
}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    scenario = rack_scenario(load_part(PART), 2, 1)
    (tmp_path / "rack.toml").write_text("\n".join(bench_lines(scenario, NOWHERE)))
    (tmp_path / "ids.txt").write_text("VX-1\nVX-2\n")
    return tmp_path


def cut(folder, name="q.db", *, uid=None, how="", devices=None):
    """Write a qualification whose first two steps are over."""
    bench = str(folder / "rack.toml")
    wish = QualifyWish(
        bench=bench, part=PART, sequence=SEQUENCE, devices=folder / "ids.txt"
    )
    plans = prepare(wish).task.plans
    with Writer.open(folder / name, VirtualClock()) as writer:
        for k, plan in enumerate(plans):
            one = plan
            if uid is not None:
                qualification = replace(plan.qualification, uid=uid)
                one = replace(plan, qualification=qualification)
            if devices:
                one = replace(one, device=devices[k])
            timebase = Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.01)
            run = writer.begin_run(one, {"counter": COUNTER}, timebase)
            segment = writer.begin_segment(run)
            for step in range(2):
                raw = json.dumps({"step": step, "what": STEP_OVER}).encode()
                over = Event(10**18, step + 1, EventKind.SEQUENCE, "over", "", raw)
                writer.commit([(run, segment, over)])
            if how:
                writer.end_run(run, how)
    return plans[0].qualification.uid


def merge(folder):
    with Writer.open(folder / "q.db", VirtualClock()) as writer:
        writer.merge(folder / "other.db")


def again(folder, *, trust=False):
    return prepare_again(folder / "q.db", host_clock(), trust=trust)


def positions(prepared):
    return [one.position for one in prepared.task.plans]


def test_an_id_that_was_corrected_meanwhile_is_the_same_device(folder):
    """An unexpected KeyError before; with the id of a neighbour there were three."""
    cut(folder)
    for name in ("VX-9", "VX-2"):
        words = ["correct", "1", "--device", name, "--reason", "typo", "--db", "q.db"]
        assert CliRunner().invoke(root, words).exit_code == 0
        prepared, work = again(folder)
        assert positions(prepared) == ["P01", "P02"]
        assert work.again == {"P01": 1, "P02": 2}
        assert [one.device for one in prepared.task.plans] == [name, "VX-2"]


@pytest.mark.parametrize("how", ["interrupted", COMPLETE])
def test_a_merged_run_of_a_stranger_does_not_hide_ones_own(folder, how):
    """Before, what was merged was the newest: one's own could not be gone on with."""
    cut(folder)
    cut(folder, "other.db", how=how)
    merge(folder)
    _, work = again(folder)
    assert set(work.again.values()) == {1, 2}


def test_a_strangers_run_of_the_same_sequence_is_not_gone_on_with(folder):
    """Its uid is in every page that was handed on, so anybody can give it to a run."""
    uid = cut(folder)
    cut(folder, "other.db", how="interrupted", uid=uid, devices=["EVIL-1", "EVIL-2"])
    merge(folder)
    for trust in (False, True):
        prepared, work = again(folder, trust=trust)
        assert set(work.again.values()) == {1, 2}
        assert positions(prepared) == ["P01", "P02"]


def test_what_came_from_elsewhere_alone_needs_trust_and_is_shown(folder):
    cut(folder, "other.db", how="interrupted")
    merge(folder)
    path = folder / "rack.toml"
    sound = path.read_text()
    path.write_text(sound.replace("modbus://127.0.0.1:9", "modbus://127.0.0.1:11"))
    with pytest.raises(UsageError, match="--trust") as refused:
        again(folder)
    for told in (str(path), "modbus://127.0.0.1:11"):  # only with --trust before
        assert told in str(refused.value)
    for setter in ("chamber", "supply", "scanner", "counter"):
        assert f"  {setter}: driver " in str(refused.value)
    path.write_text(sound)
    _, work = again(folder, trust=True)
    told = "\n".join(used_from_elsewhere(folder / "q.db", work))
    assert "came by merge" in told
    assert str(folder / "rack.toml") in told
    for setter in ("chamber", "supply", "scanner", "counter"):
        assert f"{setter}: driver " in told


def test_nothing_is_shown_of_ones_own(folder):
    cut(folder)
    _, work = again(folder, trust=True)
    assert used_from_elsewhere(folder / "q.db", work) == []


def test_one_that_is_complete_is_not_gone_on_with(folder):
    cut(folder, how=COMPLETE)
    with pytest.raises(NotFoundError):
        again(folder)


def test_positions_whose_channels_were_exchanged_are_refused(folder):
    """Before, the readings of one device went on in the run of another one."""
    cut(folder)
    path = folder / "rack.toml"
    text = path.read_text()
    assert "channel = 101" in text
    swapped = text.replace("= 101", "= 999").replace("= 102", "= 101")
    path.write_text(swapped.replace("= 999", "= 102"))
    with pytest.raises(ConfigError) as refused:
        again(folder)
    assert "'P01'.channel: 102; expected 101" in str(refused.value)
    path.write_text(
        text.replace('frequency = "counter"', 'frequency = "counter"\ndivider = 4', 1)
    )
    with pytest.raises(ConfigError, match="divider"):
        again(folder)
