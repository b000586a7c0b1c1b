"""Simulated is simulated, whoever simulates: in the identity, the run and its flags."""

import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from warm_program import Program

from benchlog.catalogue import load_bench, load_dialect, load_part
from benchlog.clock import HostClock
from benchlog.driver_kit.simulated_endpoints import Announcement, is_simulated
from benchlog.model import Bench, Flag, InstrumentSpec, PositionSpec
from benchlog.recorder.instruments.instrument_check import check_instrument
from benchlog.recorder.keeper import keep
from benchlog.simulate import DemoBench, SimulatedBench, Via, demo_scenario
from benchlog.store.reader import Reader

REAL_NAMES = """
spec: "1.1"
devices:
  counter:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    error: ""
    dialogues:
      - {q: "*IDN?", r: "ACORN,C1,4711,1.0"}
      - {q: "SYSTem:ERRor?", r: '+0,"No error"'}
      - {q: "READ?", r: "+1.60000000E+07"}
      - {q: "SENSe:FREQuency:APERture?", r: "+2.0E-02"}
      - {q: "*CLS"}
      - {q: "CONFigure:FREQuency"}
      - {q: "SENSe:FREQuency:APERture 0.02"}
resources:
  TCPIP::counter.local::inst0::INSTR: {device: counter}
"""
"""What a library of simulated instruments may say: a name like any other."""


def test_a_simulated_visa_library_makes_a_simulated_run(
    plan_for, database, clock, tmp_path
):
    library = tmp_path / "counter.yaml"
    library.write_text(REAL_NAMES)
    spec = InstrumentSpec(
        name="counter",
        driver="scpi-counter",
        address="TCPIP::counter.local::inst0::INSTR",
        options={
            "gate_s": 0.02,
            "dialect": load_dialect("scpi-1999"),
            "visa_library": f"{library}@sim",
        },
    )
    place = PositionSpec(name="A", frequency="counter")
    bench = Bench(name="b", instruments={"counter": spec}, positions=(place,))
    plan = replace(plan_for("scpi-counter", readings=10), bench=bench)
    (run_id,) = keep([plan], database, clock, tell=lambda told: None)
    with closing(Reader.open(database)) as reader:
        run, columns = reader.run(run_id), reader.columns_after(run_id)
    assert run.identities["counter"].text == "ACORN,C1,4711,1.0"
    assert run.identities["counter"].simulated
    assert run.simulated
    assert len(columns) == 10
    assert (columns.flags & Flag.SIMULATED).all()


@pytest.mark.parametrize("via", [Via.LINE, Via.LINE_TCP, Via.RFC2217])
def test_what_only_talks_is_known_by_its_address(via, clock, tmp_path):
    scenario = demo_scenario(load_part("quartz-16mhz-30ppm"), bench=DemoBench(via=via))
    with SimulatedBench(scenario, HostClock()) as bench:
        file = tmp_path / "bench.toml"
        file.write_text(bench.bench_toml())
        found = load_bench(str(file)).instruments["counter"]
        plain = replace(found, simulated=False)  # as a person copies it without
        other = tmp_path / "by-id"
        if plain.address.startswith("/"):
            other.symlink_to(plain.address)
            plain = replace(plain, address=str(other))
        elif plain.address.startswith("TCPIP"):
            local = plain.address.replace("127.0.0.1", "localhost")
            plain = replace(plain, address=local)
        tried = check_instrument(plain, clock)
        assert tried.error is None
        assert tried.identity.simulated
    assert not is_simulated(plain.address, {})


def test_an_announcement_of_a_program_that_died_counts_no_more(tmp_path):
    program = (
        "import os\nfrom benchlog.driver_kit.simulated_endpoints import Announcement\n"
        "told = Announcement(['/dev/pts/999'])\nprint('told', flush=True)\ninput()\n"
    )
    with Program(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout.readline() == "told\n"
        assert is_simulated("/dev/pts/999", {})
        assert is_simulated("ASRL/dev/pts/999::INSTR", {})
        assert not is_simulated("/dev/pts/998", {})
        other.kill()
        other.wait()
    assert not is_simulated("/dev/pts/999", {})
    assert not list(Path(tmp_path, "benchlog", "simulated").iterdir())


def test_nobody_is_told_where_nothing_can_be_written(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    Announcement(["/dev/pts/999"]).close()
    assert not is_simulated("/dev/pts/999", {})
