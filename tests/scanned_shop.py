"""A simulated rack whose counter serves several devices in turns, and the program."""

import json
import re
import socket
import subprocess
from contextlib import closing, contextmanager
from dataclasses import replace

from schemas_held import hold_printed
from warm_program import PROGRAM, Program, run

from benchlog.catalogue import load_part
from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario
from benchlog.store.reader import Reader

SCALE = 20.0
PART = "vctcxo-10mhz-1ppm"
NEAR_PPM = 0.08
"""Room, supply and time base move a device by less; devices lie further apart."""


def close_behind_its_back(rack, *channels):
    """Switch a rack's scanner from somewhere else, over a connection of our own."""
    host, port = re.findall(r"::([\d.]+)::(\d+)::", rack.addresses()["scanner"])[0]
    with socket.create_connection((host, int(port)), 5) as line:
        listed = ",".join(map(str, channels))
        line.sendall(f"ROUT:OPEN:ALL;:ROUT:CLOS (@{listed})\n*OPC?\n".encode())
        line.recv(100)


class ScannedShop:
    """Devices behind a scanner, and everything that was kept of them."""

    def __init__(self, folder, rack, environment, settle_s=0.2):
        self.folder, self.rack, self.environment = folder, rack, environment
        text = rack.bench_toml()
        turns = f"turn_gates = 4\nturn_settle_s = {settle_s}\n"
        head = "[instruments.scanner]\n"
        text = text.replace(head, head + turns)
        (folder / "rack.toml").write_text(text)
        self.db = folder / "s.db"

    def words(self, command, *more):
        bench = ("--bench", "rack.toml", "--part", PART)
        return [*PROGRAM, command, *bench, *more]

    def placed(self, *positions):
        found = []
        for position in positions:
            found += ["--position", position, "--device", f"DUT-{position}"]
        return found

    def surroundings(self):
        return {"cwd": self.folder, "env": self.environment, "text": True}

    def run(self, words, ids=""):
        done = run(
            words,
            input=ids,
            capture_output=True,
            timeout=180,
            check=False,
            **self.surroundings(),
        )
        hold_printed(words, done.stdout)
        return done

    @contextmanager
    def start(self, words):
        pipe = subprocess.PIPE
        with Program(words, stdout=pipe, stderr=pipe, **self.surroundings()) as process:
            try:
                yield process
            finally:
                process.kill()

    def reader(self):
        return closing(Reader.open(self.db))

    def events(self, run_id, *kinds):
        with self.reader() as reader:
            return [e.text for _, e in reader.events(run_id) if e.kind in kinds]

    def readings(self):
        with self.reader() as reader:
            return sum(len(reader.columns_after(run.id)) for run in reader.all_runs())

    def wait_for(self, readings, within_s=120):
        limit = host_deadline(within_s)
        while not limit.passed:
            try:
                if self.db.exists() and self.readings() >= readings:
                    return
            except Exception:  # the keeper makes its database meanwhile
                host_sleep(0.1)
            host_sleep(0.1)
        raise AssertionError(f"{readings} readings never came")

    def require_own_readings(self):
        """Nothing is under a wrong id; return the runs' columns by position."""
        found = {}
        with self.reader() as reader:
            for one in reader.all_runs():
                columns = reader.columns_after(one.id)
                spec = self.rack.devices[100 + int(one.position[1:])].spec
                ppm = (columns.frequency_hz / one.nominal_hz - 1) * 1e6
                assert abs(ppm - spec.offset_ppm).max(initial=0.0) < NEAR_PPM, one
                found[one.position] = columns
        return found


@contextmanager
def scanned_shop(folder, environment, devices=3, gate_s=1.0, *, warm=True):
    """Serve the shop; devices that are not `warm`ing up are themselves at once."""
    scenario = rack_scenario(load_part(PART), devices, seed=5)
    if not warm:
        at_once = {"warm_ppm": 0.0, "retrace_ppm": 0.0, "start_s": 0.0}
        several = tuple(replace(one, **at_once) for one in scenario.devices)
        scenario = replace(scenario, devices=several)
    scenario = replace(scenario, gate_s=gate_s)
    with SimulatedRack(scenario, HostClock(scale=SCALE)) as rack:
        yield ScannedShop(folder, rack, environment)


def figures(done):
    assert done.returncode in (0, 3, 4), done.stderr
    return json.loads(done.stdout)
