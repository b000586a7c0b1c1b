"""Chips behind a scanner are trimmed side by side in turns, each by its own register.

The register of a chip is its control input, which a program sets over a socket, as a
programmer with a socket for each place does.
"""

import json
import os
import socketserver
import stat
import threading
from contextlib import contextmanager
from dataclasses import replace

import pytest
from scanned_shop import PROGRAM, SCALE, ScannedShop, figures

from benchlog.catalogue import find, load_part
from benchlog.clock import HostClock
from benchlog.model import Flag
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

PART = "vctcxo-10mhz-1ppm"
STEP_PPM, MIDDLE = 30.0, 100
OFFSETS_PPM = {101: 905.0, 102: -598.0}
CODES = {101: 70, 102: 120}  # 905 - 30 * 30 = 5 ppm, -598 + 20 * 30 = 2 ppm
PROGRAMMER = """#!/bin/bash
exec 3<>/dev/tcp/127.0.0.1/{port}
echo "$1 $2" >&3
read -r -u 3 said
[ "$said" = ok ]
"""
WIDE = (
    ("tolerance_ppm = 1.5", "tolerance_ppm = 100"),
    ("stability_ppm = 1.0", "stability_ppm = 20"),
)


def chips():
    """Return a rack of two chips whose control input moves them by 3,000 ppm a volt."""
    scenario = rack_scenario(load_part(PART), 2, seed=5)
    at_once = {"warm_ppm": 0.0, "retrace_ppm": 0.0, "start_s": 0.0}
    pulled = {"pull_ppm_per_v": 100 * STEP_PPM, "bend_ppm_per_v2": 0.0}
    return replace(
        scenario,
        gate_s=0.2,
        devices=tuple(
            replace(
                one,
                oscillator=replace(one.oscillator, offset_ppm=offset_ppm),
                **at_once,
                **pulled,
            )
            for one, offset_ppm in zip(
                scenario.devices, OFFSETS_PPM.values(), strict=True
            )
        ),
    )


@contextmanager
def programmer(rack, asked):
    """Serve what sets the register of the chip at a channel: `101 87` in a line."""

    class Place(socketserver.StreamRequestHandler):
        def handle(self):
            channel, code = map(int, self.rfile.readline().split())
            asked.append((channel, code))
            device = rack.devices[channel]
            volts = device.rack_spec.control_v + 0.01 * (code - MIDDLE)
            device.control.set(volts, rack.world.now_s())
            self.wfile.write(b"ok\n")

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Place) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


@pytest.fixture
def places(tmp_path):
    """Two places with a register each; what was asked of them is in `asked`."""
    with SimulatedRack(chips(), HostClock(scale=SCALE)) as rack:
        environment = os.environ | {"BENCHLOG_TIME_SCALE": str(SCALE)}
        shop = ScannedShop(tmp_path, rack, environment)
        shop.asked = []
        with programmer(rack, shop.asked) as port:
            program = tmp_path / "set-code"
            program.write_text(PROGRAMMER.format(port=port))
            program.chmod(program.stat().st_mode | stat.S_IXUSR)
            bench = (tmp_path / "rack.toml").read_text()
            for channel in CODES:
                bench = bench.replace(
                    f"channel = {channel}\n",
                    f'channel = {channel}\ntrim = "register-{channel}"\n',
                )
                bench += (
                    f'\n[instruments.register-{channel}]\ndriver = "command-trim"\n'
                    f'program = "{program}"\narguments = "{channel} {{code}}"\n'
                )
            (tmp_path / "rack.toml").write_text(bench)
            part = find("parts", PART).read_text()
            for old, new in (*WIDE, (f'"{PART}"', '"wide"')):
                assert old in part
                part = part.replace(old, new)
            part += "\n[trim]\nsafe = [[0, 200]]\nsettle_s = 0.02\n"
            (tmp_path / "configs" / "parts").mkdir(parents=True)
            (tmp_path / "configs" / "parts" / "wide.toml").write_text(part)
            yield shop


def words(*more):
    bench = ("--bench", "rack.toml", "--part", "wide")
    return [*PROGRAM, "trim", *bench, *more, "--db", "s.db", "--json"]


def last_ppm(shop, run_id):
    """Return the offsets of the code that was left set."""
    with shop.reader() as reader:
        columns = reader.columns_after(run_id)
    counted = (columns.flags & Flag.SETTLING) == 0
    return (columns.frequency_hz[counted] / 10e6 - 1) * 1e6


@pytest.mark.campaign  # every suite has the two places below
def test_one_chip_behind_a_scanner_is_trimmed(places):
    found = figures(places.run(words("--position", "P02", "--device", "C-2")))
    assert found["best_code"] == CODES[102]
    assert {channel for channel, _ in places.asked} == {102}
    assert abs(last_ppm(places, found["run"]) - 2.0).max() < 2.0


def test_two_places_are_trimmed_in_turns_each_by_its_own_register(places):
    (places.folder / "ids").write_text("C-1\nC-2\n")
    line = ("--lot", "T", "--ids", "ids", "--position", "P01", "--position", "P02")
    done = places.run(words(*line))
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)
    with places.reader() as reader:
        for run in reader.all_runs():
            channel = 100 + int(run.position[1:])
            rows = [one for _, one in reader.conditions(run.id)]
            set_to = [one.value for one in rows if one.quantity == "trim ordered"]
            assert set_to == [code for at, code in places.asked if at == channel]
            assert set_to[-1] == CODES[channel], run.position
            closed = {r.value for r in rows if r.quantity.startswith("channel ")}
            assert closed == {float(channel)}
            ppm = last_ppm(places, run.id)
            assert len(ppm) >= 30
            assert abs(ppm - (5.0 if channel == 101 else 2.0)).max() < 2.0


@pytest.mark.campaign  # every suite: `tests/inspect/test_own_places.py`, the same desk
def test_a_chip_of_a_list_is_trimmed_anew_where_it_was(places):
    """Before, it was trimmed at the first place, whose chip got a code of another."""
    (places.folder / "ids").write_text("C-1\nC-2\n")
    line = ("--lot", "T", "--ids", "ids", "--position", "P01", "--position", "P02")
    assert places.run(words(*line)).returncode == 0
    with places.reader() as reader:
        (second,) = [run.id for run in reader.all_runs() if run.device == "C-2"]
    void = ["void", str(second), "--reason", "bad contact", "--db", "s.db"]
    assert places.run([*PROGRAM, *void]).returncode == 0
    before = len(places.asked)
    done = places.run(words(*line))
    assert done.returncode == 0, done.stderr
    assert {channel for channel, _ in places.asked[before:]} == {102}
    assert places.asked[-1] == (102, CODES[102])
