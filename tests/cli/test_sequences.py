"""`sequences` and `qualify --dry-run`: what is told before anything is set."""

import json

import pytest
from click.testing import CliRunner
from schemas_held import hold

from benchlog.catalogue import load_part
from benchlog.cli import root
from benchlog.simulate.rack_scenario import bench_lines, rack_scenario

PART = "vctcxo-10mhz-1ppm"
ADDRESSES = {
    "counter": "TCPIP::127.0.0.1::5025::SOCKET",
    "probe": "TCPIP::127.0.0.1::5026::SOCKET",
    "supply": "TCPIP::127.0.0.1::5027::SOCKET",
    "pulling": "TCPIP::127.0.0.1::5028::SOCKET",
    "scanner": "TCPIP::127.0.0.1::5029::SOCKET",
    "loads": "TCPIP::127.0.0.1::5030::SOCKET",
    "chamber": "modbus://127.0.0.1:502",
}


def told(*words: str, given: str | None = None, status: int = 0) -> str:
    done = CliRunner().invoke(root, list(words), input=given, catch_exceptions=False)
    assert done.exit_code == status, done.stderr
    return done.stdout


@pytest.fixture
def rack(tmp_path, monkeypatch):
    lines = bench_lines(rack_scenario(load_part(PART), 3), ADDRESSES)
    (tmp_path / "rack.toml").write_text("\n".join(lines) + "\n")
    monkeypatch.chdir(tmp_path)
    return ("qualify", "--bench", "rack.toml", "--part", PART, "--devices", "-")


def test_sequences_are_listed_and_shown():
    listed = json.loads(told("sequences", "--json"))
    hold(listed)
    assert listed[0]["id"] == "ageing"
    shown = json.loads(told("sequences", "show", "ageing", "--json"))
    hold(shown)
    assert shown["steps"][1]["times"] == 720
    assert "720 times, one every 1 h 00 min:" in told("sequences", "show", "ageing")
    assert "temperature-sweep" in told("sequences")


def test_a_dry_run_tells_every_value_and_the_time(rack):
    ids = "A\nB\nC\n"
    plan = json.loads(
        told(
            *rack,
            "--sequence",
            "temperature-five-points",
            "--dry-run",
            "--json",
            given=ids,
        )
    )
    hold(plan)
    set_c = [order["value"] for step in plan["steps"] for order in step["orders"]]
    assert set_c == [25.0, -40.0, -7.5, 25.0, 55.0, 85.0]
    assert 3600 < plan["takes_s"] < 6 * 3600
    text = told(*rack, "--sequence", "retrace", "--dry-run", given=ids)
    assert "power off" in text
    assert "24 h" in text or "1 d" in text


@pytest.mark.parametrize(
    "sequence", ["warm-up", "supply", "load", "pull-range", "ageing"]
)
def test_each_shipped_sequence_can_be_planned(rack, sequence):
    plan = told(*rack, "--sequence", sequence, "--dry-run", "--json", given="A\n")
    hold(json.loads(plan))


def test_what_is_missing_is_asked_for(rack):
    done = CliRunner().invoke(root, [*rack, "--dry-run"])
    assert done.exit_code == 2
    assert "which --sequence?" in done.stderr
