"""`check-bench` reads a second gate over a real socket, then sets the first one."""

import dataclasses

import pytest
from simulate.lab import QUARTZ, Line, scenario, serving

from benchlog.catalogue import load_bench
from benchlog.cli.commands.check_bench import check_all
from benchlog.clock import HostClock
from benchlog.simulate.physics.counting import CounterSpec
from benchlog.simulate.physics.noise import Noise
from benchlog.simulate.scenario import STREAMS, SimulatedPosition, Via

SCALE = 5.0
GATE_S = 0.02
QUIET = CounterSpec(resolution_s=1e-13, dead_time_s=0.004)
STAMPS = dataclasses.replace(QUIET, stamp_jitter_s=2e-9)
AVERAGES = dataclasses.replace(STAMPS, counting="averaging", stamps_per_s=4_000.0)


def bench(spec, white_fm=0.0, **at):
    plain = scenario(*at.pop("ways", ()), gate_s=GATE_S)
    device = dataclasses.replace(QUARTZ, noise=Noise(white_fm=white_fm))
    counter = dataclasses.replace(plain.counters[0], spec=spec, **at)
    places = (SimulatedPosition("A", device),)
    return dataclasses.replace(plain, counters=(counter,), places=places)


@pytest.mark.parametrize(
    ("spec", "white_fm", "said"),
    [
        (QUIET, 1e-9, "white FM of the device"),
        (STAMPS, 0.0, "white PM of stamps that each gate has for itself"),
        (AVERAGES, 0.0, "averages within its gate, as stated"),
    ],
)
def test_a_second_gate_tells_what_the_first_leaves_open(
    tmp_path, monkeypatch, spec, white_fm, said
):
    monkeypatch.setenv("BENCHLOG_TIME_SCALE", str(SCALE))
    path = tmp_path / "bench.toml"
    with serving(bench(spec, white_fm), HostClock(SCALE)) as (running, addresses):
        path.write_text(running.bench_toml())
        instruments = load_bench(str(path)).instruments
        (row,) = check_all({"counter": instruments["counter"]}, tmp_path / "no.db")
        line = Line(addresses["counter"])
        gate_s = float(line.ask("SENS:FREQ:APER?"))
        line.close()
    assert row.ok
    assert "neighbours correlate" in row.counts[0]
    assert "at a gate of 0.08 s the scatter is" in row.counts[1]
    assert said in row.counts[1]
    assert gate_s == GATE_S


def checked(tmp_path, monkeypatch, made):
    """Return what `check-bench` found of the counter, and what it printed of it."""
    monkeypatch.setenv("BENCHLOG_TIME_SCALE", str(SCALE))
    path = tmp_path / "bench.toml"
    with serving(made, HostClock(SCALE)) as (running, _):
        path.write_text(running.bench_toml())
        instruments = load_bench(str(path)).instruments
        (row,) = check_all({"counter": instruments["counter"]}, tmp_path / "no.db")
    return row


def test_a_counter_that_streams_is_read_as_in_a_run(tmp_path, monkeypatch):
    """Asked for each reading it had dead time, and `gapless` was to be taken out."""
    spec = CounterSpec(resolution_s=1e-13, stamp_jitter_s=2e-9)
    row = checked(tmp_path, monkeypatch, bench(spec, dialect=STREAMS))
    assert "no dead time seen" in row.counts[0]
    assert not any("gapless = true is stated" in one for one in row.counts)


def test_what_only_talks_is_not_read_at_another_gate(tmp_path, monkeypatch, capsys):
    """Its gate is stated, and setting it changes nothing."""
    row = checked(tmp_path, monkeypatch, bench(QUIET, 1e-9, ways=(Via.LINE_TCP,)))
    assert row.ok and len(row.counts) == 1
    assert "readings more" not in capsys.readouterr().err
