"""From a checked time base to a device's figure, over real sockets and as typed.

The bench is served here and asked by the command line in processes of their own; both
share the scaled clock.
"""

import json
import re
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cli.conftest import SCALE
from simulate.lab import scenario, serving
from waiting import wait_for

from benchlog.clock import HostClock
from benchlog.errors import BenchlogError
from benchlog.model import EventKind, Flag
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.ready_scenarios import by_pulses, with_reference
from benchlog.simulate.scenario import ReceiverAt, Wiring
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

PART = "quartz-16mhz-30ppm"
NO_PULSES = "no pulses of the reference 'receiver': nothing to compare with"


@contextmanager
def bench_file(line, made):
    """Serve a scenario; yield it with the path of its bench file."""
    path = line.folder / "bench.toml"
    with serving(made, HostClock(float(SCALE))) as (bench, _):
        path.write_text(bench.bench_toml())
        yield bench, str(path)


def wired(way, **counter):
    """A device of true +10.000 ppm, whatever the room does; a counter that is off."""
    spec = CounterSpec(stated_ppm=0.6, **counter)
    made = scenario(gate_s=1.0)
    at = replace(made.counters[0], spec=spec)
    return with_reference(replace(made, counters=(at,)), way)


def told(line, *words):
    done = line.run(*words, "--json")
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def measure(line, path, *words):
    return told(
        line, "measure", "--bench", path, "--part", PART, "--device", "D", *words
    )


def poor_check(line, path):
    """Check once more, against a reference that is hardly known; give the file back."""
    file = Path(path)
    stated = file.read_text()
    file.write_text(re.sub("\nu_ppm = .*", "\nu_ppm = 3.0", stated))
    code, poor = told(line, "refcheck", "--bench", path, "--for", "20s")
    file.write_text(stated)
    assert code == 0
    return poor


@pytest.mark.parametrize(
    ("way", "timebase_ppm"),
    [
        (Wiring.FREQUENCY, -0.5),
        pytest.param(Wiring.PERIOD, 0.5, marks=pytest.mark.campaign),
        pytest.param(Wiring.PERIOD, -0.5, marks=pytest.mark.slow),
        pytest.param(Wiring.FREQUENCY, 0.5, marks=pytest.mark.slow),
    ],
)
def test_ten_ppm_come_out_as_ten(line, way, timebase_ppm):
    with bench_file(line, wired(way, timebase_ppm=timebase_ppm)) as (_, path):
        _, before = measure(line, path, "--readings", "10")
        words = ("--bench", path, "--for", "60s", "--valid-for", "2h")
        code, check = told(line, "refcheck", *words)
        if way is Wiring.FREQUENCY:  # the pulses' uncertainty is not in the file
            poor = poor_check(line, path)
            assert poor["kept"] and not poor["in_use"]
            assert "NOT USED" in poor["older"]["text"]
        _, after = measure(line, path, "--readings", "20")
    # a fast counter reads low, by what it is fast
    assert before["timebase"]["status"] == "stated"
    assert "never checked" in before["timebase"]["text"]
    assert before["offset_ppm"] == pytest.approx(10.0 - timebase_ppm, abs=0.02)
    assert before["offset_ppm"] == pytest.approx(10.0, abs=before["u_ppm"])
    assert code == 0 and check["kept"]
    with Reader.open(line.db) as reader:
        (_, kept), *_ = reader.reference_checks()
    assert kept.valid_until_utc_ns - kept.at_utc_ns == 7200 * NS_PER_S
    assert check["offset_ppm"] == pytest.approx(timebase_ppm, abs=1.5 * check["u_ppm"])
    # one interval in twenty misses; half as much again, one in a few hundred
    assert after["timebase"]["status"] == "checked"
    assert after["u_ppm"] < 0.05 < before["u_ppm"]
    assert after["offset_ppm"] == pytest.approx(10.0, abs=1.5 * after["u_ppm"])


# so fast that a check of a minute sees it, and so is the next one
WARMING = {"timebase_ppm": 0.5, "warmup_ppm": 20.0, "warmup_s": 900.0}


def test_a_counter_that_warms_up_is_refused(line):
    with bench_file(line, wired(Wiring.PERIOD, **WARMING)) as (_, path):
        code, refused = told(line, "refcheck", "--bench", path, "--for", "60s")
    assert code == 4 and not refused["kept"] and not refused["in_use"]
    assert "still drifts" in refused["reasons"][0]
    with Reader.open(line.db) as reader:
        assert reader.reference_checks() == []


@pytest.mark.campaign  # every suite: the test above; --insist: test_refcheck.py
def test_a_counter_that_warms_up_is_refused_unless_one_insists(line):
    with bench_file(line, wired(Wiring.PERIOD, **WARMING)) as (_, path):
        words = ("refcheck", "--bench", path, "--for", "60s")
        refused = line.run(*words)
        _, measured = measure(line, path, "--readings", "10")
        code, insisted = told(line, *words, "--insist")
    assert refused.returncode == 4
    assert "still drifts" in refused.stdout and "NOT KEPT" in refused.stdout
    assert "--insist" in refused.stdout
    assert measured["timebase"]["status"] == "stated"
    assert code == 0 and insisted["kept"]
    assert "still drifts" in insisted["reasons"][0]
    assert insisted["drift"]["ppm_per_h"] < -1
    with Reader.open(line.db) as reader:
        assert len(reader.reference_checks()) == 1


@pytest.mark.campaign  # every suite: verdict/test_refcheck.py, and its end above
def test_a_stale_check_is_said(line):
    with bench_file(line, wired(Wiring.FREQUENCY, timebase_ppm=0.5)) as (_, path):
        words = ("--for", "20s", "--valid-for", "1s")
        told(line, "refcheck", "--bench", path, *words)
        _, found = measure(line, path, "--readings", "10")
    base = found["timebase"]
    assert (base["status"], base["stale"]) == ("checked", True)
    assert "has expired: U grown by" in base["text"]
    assert any("repeat it with refcheck" in why for why in found["reasons"])
    assert "has expired" in line.run("show", str(found["run"])).stdout


@pytest.mark.campaign  # what follows: verdict/test_governing_check.py
def test_a_poor_check_does_not_replace_a_good_one(line):
    with bench_file(line, wired(Wiring.FREQUENCY, timebase_ppm=0.5)) as (_, path):
        words = ("refcheck", "--bench", path, "--for", "20s")
        _, good = told(line, *words)
        poor = poor_check(line, path)
        _, found = measure(line, path, "--readings", "10")
        # another nominal: what was found before is contradicted, the newest is used
        file = Path(path)
        file.write_text(file.read_text().replace("10000000.0", "9999990.0"))
        moved = line.run(*words)
        _, after = measure(line, path, "--readings", "10")
    assert good["in_use"] and good["older"] is None
    assert poor["kept"] and not poor["in_use"]
    assert poor["older"]["agrees"] and "NOT USED" in poor["older"]["text"]
    assert poor["older"]["offset_ppm"] == good["offset_ppm"]
    assert found["timebase"]["offset_ppm"] == good["offset_ppm"]
    assert "CONTRADICTS" in moved.stdout and "may have moved" in moved.stdout
    assert after["timebase"]["offset_ppm"] == pytest.approx(-0.5, abs=0.01)


@pytest.mark.campaign  # every suite: the next test
def test_a_lost_fix_is_said_and_its_pulses_do_not_count(line):
    made = by_pulses(scenario(), receiver=ReceiverAt())
    with bench_file(line, made) as (bench, path):
        file = Path(path)
        rule = '[[alarm]]\nwhen = "reference_s"\nabove = 5\n'
        rule += '[[alarm]]\nwhen = "offset_ppm"\nabove = -1e6\n'  # at once
        file.write_text(file.read_text() + rule)
        bench.lose_fix("receiver", 80.0)
        _, found = told(
            line, "soak", "--bench", path, "--part", PART, "--device", "D",
            "--for", "120s",
        )  # fmt: skip
        kinds = [event["kind"] for event in found["events"]]
        texts = " ".join(event["text"] for event in found["events"])
    assert kinds.index(EventKind.REFERENCE_LOST) < kinds.index(EventKind.BACK)
    assert EventKind.ALARM in kinds and EventKind.ALARM_OVER in kinds
    assert "receiver: no pulse that counts for" in texts
    assert "D: offset" in texts
    reference = found["timing"]["reference"]
    assert reference["no_fix"] >= 15 and reference["good"] >= 15
    assert "reference" in line.run("show", str(found["run"])).stdout


def test_a_reference_whose_line_breaks_is_lost_and_comes_back(line):
    """Before, it has no fix for a while, which is said, too, and rings an alarm."""
    made = by_pulses(scenario(), receiver=ReceiverAt())
    words = ("soak", "--part", PART, "--device", "D", "--for", "115s", "--json")
    with bench_file(line, made) as (bench, path):
        file = Path(path)
        rule = '[[alarm]]\nwhen = "reference_s"\nabove = 5\n'
        file.write_text(file.read_text() + rule)
        with line.started(*words, "--bench", path) as soak:
            wait_for(lambda: pulses_so_far(line)[0] > 3)
            bench.lose_fix("receiver", 25.0)
            wait_for(lambda: pulses_so_far(line)[1] >= 15)
            good, _ = pulses_so_far(line)
            wait_for(lambda: pulses_so_far(line)[0] > good + 8)
            bench.drop("receiver")
            out, err = soak.communicate(timeout=40)
    found = json.loads(out)
    events = [(event["kind"], event["text"]) for event in found["events"]]
    alarms = {EventKind.ALARM, EventKind.ALARM_OVER}
    said = [event for event in events if event[0] not in alarms]
    kinds = [kind for kind, _ in said]
    # on a busy computer a sentence may be late, too: that is another loss, of the fix
    gone = (EventKind.REFERENCE_LOST, NO_PULSES)
    lost = [at for at, (kind, text) in enumerate(said) if (kind, text) == gone]
    assert lost, said
    assert kinds[lost[0] - 1] == EventKind.LOST
    assert EventKind.BACK in kinds[lost[0] :], said
    assert f"reference-lost: {NO_PULSES}" in err
    unfixed = "'receiver' has no fix: its pulses do not count until it has"
    assert said.index((EventKind.REFERENCE_LOST, unfixed)) < lost[0], said
    assert said.index((EventKind.BACK, "'receiver' has a fix again")) < lost[0], said
    assert alarms <= {kind for kind, _ in events}
    assert "receiver: no pulse that counts for" in " ".join(text for _, text in events)
    reference = found["timing"]["reference"]
    assert reference["no_fix"] >= 15 and reference["good"] >= 15


def pulses_so_far(line) -> tuple[int, int]:
    """How many pulses the receiver has sent by now with a fix, and without one."""
    try:
        with Reader.open(line.db) as reader:
            pulses = reader.pulses_after(1)
    except BenchlogError:
        return 0, 0
    flags = pulses.flags[pulses.instrument == "receiver"]
    unfixed = int(np.count_nonzero(flags & Flag.NO_FIX))
    return len(flags) - unfixed, unfixed


def test_without_a_reference_the_host_is_the_time(line):
    made = by_pulses(scenario())
    with bench_file(line, made) as (_, path):
        file = Path(path)
        file.write_text("host_clock_ppm = 50\n" + file.read_text())
        _, found = measure(line, path, "--for", "30s")
    assert found["timing"]["against"] == "this computer's clock"
    assert "this computer's clock, stated +-50 ppm" in found["timebase"]["text"]
    (line_,) = [b for b in found["budget"]["lines"] if b["name"] == "host clock"]
    assert line_["u_ppm"] == pytest.approx(50 / 3**0.5)


def test_a_lot_is_not_measured_by_pulses(line):
    with bench_file(line, by_pulses(scenario())) as (_, path):
        done = line.run(
            "inspect", "--bench", path, "--part", PART, "--lot", "L", "--lot-size",
            "2", "--aql", "1", "--ids", "-",
        )  # fmt: skip
    assert done.returncode == 2
    assert "is measured by the pulses of 'pulses'" in done.stderr


def test_a_standard_that_moved_is_warned_of(line):
    made = scenario(gate_s=1.0)
    with bench_file(line, made) as (bench, path):
        words = ("refcheck", "--bench", path, "--standard", "S", "--for", "24s")
        told(line, *words, "--part", PART)
        for number in range(2, 6):
            code, found = told(line, *words)
            assert code == 0 and len(found["history"]) == number
            assert found["moved"] is None
        bench.step("A", 1.0)
        said = line.run(*words)
    assert said.returncode == 3
    assert "THE BENCH HAS MOVED" in said.stdout
    assert "out of control" in said.stdout
