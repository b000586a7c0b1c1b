"""A line of chips: ids from a list, killed and continued, wrong parts, burned codes."""

import json
import re
import signal

import pytest
from schemas_held import hold
from trim.line_scene import LOT, PART, a_line, control_program, hear_one_of
from waiting import wait_for
from warm_program import PROGRAM, run

from benchlog.clock import HostClock, host_deadline
from benchlog.evaluation.trimmed_lot import trimmed_lot
from benchlog.model import Lot
from benchlog.model.trims import BURN_BEGUN, trim_notes
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

CHIPS = 10


@pytest.fixture
def line(tmp_path):
    with a_line(tmp_path) as made:
        yield made


def asked(line, *words):
    """Ask something about the lot, on the way the line is asked."""
    return run(
        [*PROGRAM, "trim", "--lot", LOT, *words],
        cwd=line.folder,
        env=line.environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def best_code(line, chip):
    line.bench.insert("A", 0.0, f"chip-{chip}")
    register = line.bench.firmware.register_ppm
    return min((*range(111), *range(128, 221)), key=lambda code: abs(register[code]))


def test_ten_chips_killed_half_way_and_continued(line):
    """About 1.5 s a chip; the campaign with 500 of them: LINE.md."""
    assert line.trim(range(CHIPS), kill_in=CHIPS // 2) is None
    before = line.codes()
    assert len(before) == CHIPS // 2
    code, out, err = line.trim(range(CHIPS))
    assert code == 0, err
    assert err.count("is not measured: measured already") == CHIPS // 2
    assert "was broken off and is set aside" in err
    after = line.codes()
    assert len(after) == CHIPS and before.items() <= after.items()
    assert len(line.runs()) == CHIPS + 1  # none twice but the one that was cut
    assert after == {f"C-{k:03d}": best_code(line, k) for k in range(CHIPS)}
    assert f"{CHIPS} of {CHIPS} devices brought in" in out
    found = json.loads(asked(line, "--result", "--json").stdout)
    hold(found)
    assert {one["device"]: one["code"] for one in found["devices"]} == after
    assert (found["brought_in"], found["not_brought_in"]) == (CHIPS, [])
    assert found["lowest_code"] == min(after.values())
    done = asked(line, "--out", "codes.csv")
    assert done.returncode == 0, done.stderr
    rows = (line.folder / "codes.csv").read_text().splitlines()
    assert rows == ["device,code", *(f"{d},{c}" for d, c in after.items())]
    assert asked(line, "--out", "codes.csv").returncode != 0  # it is there already
    # only the four documented lines: nothing that could burn a code for good
    assert line.bench.firmware.heard <= {b"id?", b"trim"}


def test_a_device_that_no_code_moves_is_not_the_part(line):
    """The trimmer sets codes of a chip that is not the one measured."""
    # private: a chip that is not on the counter is no order of the bench
    line.bench.firmware._step = lambda by_ppm: None
    code, out, err = line.trim(range(1))
    assert code == 4
    assert "is the trimmer connected to this device" in err
    assert "held until somebody answers" in out and "0 of 1 device" in out


def test_a_trimmer_that_fails_on_three_chips_stops_the_line(line):
    line.bench.firmware.register_ppm = line.bench.firmware.register_ppm[:30]
    exchange = line.bench.firmware.exchange
    line.bench.firmware.exchange = lambda register, code: exchange(register[:30], 5)
    with line.start() as process:
        for k in range(3):
            line.bench.insert("A", 0.0, f"chip-{k}")
            process.stdin.write(f"C-{k}\n")
            process.stdin.flush()
            hear_one_of(process, ("was set aside:",))
        _, err = process.communicate(timeout=30)
    assert process.returncode == 1, err
    assert "3 devices one after the other were set aside" in err
    assert [run.ended_how for run in line.runs()] == ["code not set"] * 3
    done = asked(line, "--result")
    assert done.returncode == 4 and "code not set" in done.stdout


@pytest.mark.campaign  # every suite: in test_fed_line.py, and going on here
def test_it_ends_cleanly_when_it_is_interrupted_and_goes_on(line):
    with line.start() as process:
        line.bench.insert("A", 0.0, "chip-1")
        process.stdin.write("C-001\n")
        process.stdin.flush()
        hear_one_of(process, ("code 55:",))
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)
    (first,) = line.runs()
    assert first.ended_how == "interrupted" and not first.counts
    code, out, _ = line.trim([1])
    assert code == 0 and "1 of 1 device brought in" in out
    assert line.codes() == {"C-001": best_code(line, 1)}


# --- burned for good


BURN = "\n[burn]\ncommand = {command}\npower_cycle = {cycle}\nlimit_s = 10\n"


def programmer_of(line):
    return str(control_program(line.folder, line.bench.addresses()["control"]))


def with_burn(line, command=None, cycle=None):
    programmer = programmer_of(line)
    text = (line.folder / "bench.toml").read_text() + BURN.format(
        command=json.dumps(command or [programmer, "chip", "burn", "{code}"]),
        cycle=json.dumps(cycle or [programmer, "chip", "power-cycle"]),
    )
    (line.folder / "bench.toml").write_text(text)


def ordered(line):
    path = line.folder / "burned"
    return path.read_text().splitlines() if path.exists() else []


@pytest.mark.campaign  # every suite: the next test, and test_fed_line.py without a burn
@pytest.mark.parametrize("chips", [[2], [2, 3]])
def test_codes_are_burned_when_asked_and_verified_after_a_power_cycle(line, chips):
    with_burn(line)
    assert line.trim([1])[0] == 0
    assert ordered(line) == []  # never by default
    done = line.trim(chips, "--burn", "--yes")
    assert done[0] == 0, done[2]
    codes, last = line.codes(), chips[-1]
    wanted = [
        word
        for chip in chips
        for word in (f"chip burn {codes[f'C-{chip:03d}']}", "chip power-cycle")
    ]
    assert ordered(line) == wanted
    assert line.bench.firmware.burned == codes[f"C-{last:03d}"]
    assert line.bench.firmware.burned == line.bench.firmware.code
    # no snapshot has what burns a code
    assert b"programmer" not in line.db.read_bytes()
    assert PART.encode() in line.db.read_bytes()
    found = json.loads(asked(line, "--result", "--json").stdout)
    hold(found)
    one, two, *_ = found["devices"]
    assert (one["burn"], two["burn"]) == (
        "not burned",
        "burned, verified after a power cycle",
    )
    for key in ("set_ppm", "after_burn_ppm", "after_power_cycle_ppm"):
        assert two[key] == pytest.approx(two["offset_ppm"], abs=500)
    # burned once for good: the same chip again is verified, and not burned again
    again = line.trim([*chips, last], "--burn", "--yes")
    assert again[0] == 0
    assert [word for word in ordered(line) if "burn" in word] == wanted[::2]
    assert "a burn of code" in again[2]


def test_a_chip_whose_run_is_in_quarantine_is_not_burned_again(line):
    """Before, `check --repair` made a burned chip one that never was."""
    with_burn(line)
    assert line.trim([2], "--burn", "--yes")[0] == 0
    (burned,) = line.runs()
    code = line.bench.firmware.burned
    assert ordered(line) == [f"chip burn {code}", "chip power-cycle"]
    assert list(line.codes().values()) == [code] == [line.bench.firmware.code]
    # no snapshot has what burns a code
    assert b"programmer" not in line.db.read_bytes()
    assert PART.encode() in line.db.read_bytes()
    with Reader.open(line.db) as reader:
        (chip,) = trimmed_lot(reader, Lot(lot=LOT, part_id=PART)).chips
    assert chip.burn == "burned, verified after a power cycle"
    for ppm in (chip.set_ppm, chip.after_burn_ppm, chip.after_power_cycle_ppm):
        assert ppm == pytest.approx(chip.result.offset_ppm, abs=500)
    with Writer.open(line.db, HostClock()) as writer:
        assert writer.put_aside(("run", burned.run), "its record is damaged", "test")
    again = line.trim([2], "--burn", "--yes")
    assert again[0] == 0
    assert len([word for word in ordered(line) if "burn" in word]) == 1
    assert f"was begun in run {burned.run}" in again[2]
    with Reader.open(line.db) as reader:
        events = [event for _, event in reader.events(burned.run + 1)]
    texts, notes = [event.text for event in events], list(trim_notes(events))
    assert (BURN_BEGUN, code) in [(note.what, note.code) for note in notes]
    assert not any("it is to be burned" in text for text in texts)
    assert any("it is not burned again" in text for text in texts)


def test_nothing_is_burned_unless_somebody_agrees(line):
    with_burn(line)
    with line.start("--burn") as process:
        _, err = process.communicate(timeout=30)
    assert process.returncode == 2 and "--burn takes --yes" in err
    assert "chip burn {code}" in err  # what would be run is told
    assert not line.db.exists() and ordered(line) == []


def test_a_bench_without_burn_is_told_before_anything_is_opened(line):
    with line.start("--burn", "--yes") as process:
        _, err = process.communicate(timeout=30)
    assert process.returncode == 2 and "add a table [burn]" in err
    assert not line.db.exists()


def test_a_burn_that_takes_another_code_is_found_after_the_power_cycle(line):
    wrong = ["/bin/sh", "-c", 'exec "$0" chip burn 9', programmer_of(line), "{code}"]
    with_burn(line, command=wrong)
    code, out, err = line.trim([4], "--burn", "--yes")
    assert code == 3, (out, err)
    assert "is another code burned?" in err
    assert "burned, runs elsewhere" in out and "0 of 1 device brought in" in out


def test_a_programmer_that_fails_twice_stops_the_line(line):
    with_burn(line, command=["/bin/sh", "-c", "echo no contact; exit 3", "{code}"])
    with line.start("--burn", "--yes") as process:
        for k in range(2):
            line.bench.insert("A", 0.0, f"chip-{k}")
            process.stdin.write(f"C-{k}\n")
            process.stdin.flush()
            hear_one_of(process, ("was set aside:",))
        _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "exit code 3" in err and "2 devices one after the other" in err
    assert {run.ended_how for run in line.runs()} == {"not burned"}


def killed_in_a_burn(line, *, cycle):
    """Kill the keeper while a burn is under way; return the code that is burned.

    The burn ends once there is a file `go-on`.
    """
    slowly = (
        '"$0" chip burn "$BENCHLOG_CODE"; while [ ! -e go-on ]; do sleep 0.05; done'
    )
    with_burn(line, command=["/bin/sh", "-c", slowly, programmer_of(line), "{code}"])
    if not cycle:
        bench = line.folder / "bench.toml"
        bench.write_text(re.sub(r"(?m)^power_cycle = .*$", "", bench.read_text()))
    with line.start("--burn", "--yes") as process:
        line.bench.insert("A", 0.0, "chip-4")
        process.stdin.write("C-004\n")
        process.stdin.flush()
        told = hear_one_of(process, ("is burned now",))
        wait_for(lambda: ordered(line))
        process.kill()
        process.wait(20)
    return int(re.findall(r"code (\d+) is burned now", told)[0])


def trimmed_once_free(line):
    """Trim chip 4 once the burn of a keeper before lets go of the line."""
    limit = host_deadline(30.0)
    while True:
        with line.start("--burn", "--yes") as process:
            process.stdin.write("C-004\n")
            out, err = process.communicate(timeout=60)
        if "in use" not in err or limit.passed:
            return process, out, err


def gone_on_elsewhere(line):
    """Trim the chip again while it runs elsewhere by 7,000 ppm; what came of it."""
    line.bench.insert("A", 7_000.0, "chip-4")
    process, out, err = trimmed_once_free(line)
    found = json.loads(asked(line, "--result", "--json").stdout)
    hold(found)
    return process.returncode, out + err, found


@pytest.mark.campaign  # every suite: test_burned_chips.py, and the one in quarantine
def test_a_burn_that_was_cut_and_nobody_can_look_at_brings_no_chip_in(line):
    """Before, it was brought in, "not burned", with the code of another search."""
    burned = killed_in_a_burn(line, cycle=False)
    (line.folder / "go-on").touch()
    code, told, found = gone_on_elsewhere(line)
    (chip,) = found["devices"]
    assert (chip["code"], chip["burn"]) == (burned, "burn begun")
    assert (code, found["brought_in"]) == (4, 0)
    assert "not brought in" in told


def test_a_burn_that_was_cut_is_verified_with_the_code_that_was_burned(line):
    """Before, the chip was told to have the best code of the search after the cut.

    While the burn goes on nobody else begins; before, codes were set in its midst.
    """
    burned = killed_in_a_burn(line, cycle=True)
    with line.start("--burn", "--yes") as process:
        process.stdin.write("C-004\n")
        _, told = process.communicate(timeout=60)
    assert process.returncode == 1 and "in use" in told, told
    assert "what it had begun, such as a burn, goes on: wait" in told
    assert (line.bench.firmware.code, len(ordered(line))) == (burned, 1)
    (line.folder / "go-on").touch()
    _, _, found = gone_on_elsewhere(line)
    assert found["devices"][0]["code"] == burned
    assert len([word for word in ordered(line) if "burn" in word]) == 1
