"""`qualify` in a real terminal: the rack's screen, left while the sequence goes on."""

import pytest
from cli.conftest import SCALE, Line
from cli.test_terminal import SCREEN_GONE, SCREEN_UP, ended_how, keepers, terminal

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.simulate.rack_bench import SimulatedRack
from benchlog.simulate.rack_scenario import rack_scenario

PART = "vctcxo-10mhz-1ppm"
WORDS = ("qualify", "--bench", "rack.toml", "--part", PART, "--devices", "ids.txt")


@pytest.fixture
def rack(line: Line):
    scenario = rack_scenario(load_part(PART), 2, seed=5)
    with SimulatedRack(scenario, HostClock(scale=float(SCALE))) as served:
        (line.folder / "rack.toml").write_text(served.bench_toml())
        (line.folder / "ids.txt").write_text("VX-1\nVX-2\n")
        yield served


def test_the_rack_is_shown_and_goes_on_without_its_screen(line: Line, rack) -> None:
    """Takes 8 s: a sequence is begun over real sockets, and let go of again."""
    with terminal(line, *WORDS, "--sequence", "retrace") as screen:
        screen.until(SCREEN_UP)
        screen.until("VX-2")
        screen.until("step 1 'before'")
        screen.type("q")
        screen.until("still going")
        screen.type("k")
        assert screen.exit_code() == 0
        said = screen.seen.rpartition(SCREEN_GONE)[2]
        assert "run 2 goes on" in said
    assert ended_how(line) is None
    assert keepers(line)
    with terminal(line, "watch") as screen:
        screen.until("step 1 'before'")
        screen.type("s")
        screen.until("Stop the whole rack?")
        screen.type("s")
        screen.until_true(lambda: ended_how(line, 2) == "stopped")
        screen.until_true(lambda: not keepers(line))
        screen.type("q")
        assert screen.exit_code() == 0
    assert not rack.rack.output
    assert rack.chamber.target_c == rack.scenario.chamber.begin_c


def test_without_a_terminal_there_are_lines_once_for_all_devices(
    line: Line, rack
) -> None:
    del rack
    (line.folder / "short.toml").write_text(
        """[sequence]
id = "short"
title = "One look"
source = "ours"
finds = ["offset-at-reference"]
[[step]]
name = "look"
power = "on"
settle = false
gates = 2
"""
    )
    done = line.run(*WORDS, "--sequence", "short.toml")
    assert done.returncode in (0, 3, 4), done.stderr
    assert done.stderr.count("step 1 'look' begins") == 1
    assert done.stderr.count("2 readings") == 2
    assert "\x1b" not in done.stderr
