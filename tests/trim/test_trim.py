"""Trimming end to end: real processes, sockets and terminals; hostile programs."""

import json
import os
import signal
import stat
import subprocess
from pathlib import Path

import pytest
from benchlog_drivers.command_trim import CommandTrim
from schemas_held import hold
from warm_program import PROGRAM, Program, run

from benchlog.catalogue import load_part
from benchlog.clock import HostClock, host_deadline
from benchlog.errors import (
    InstrumentError,
    LostError,
    RefusedError,
    SilentError,
    UsageError,
)
from benchlog.model import Flag
from benchlog.pages.content import Ruling
from benchlog.pages.page_builder import run_page
from benchlog.simulate import DemoBench, SimulatedBench, demo_scenario
from benchlog.store.reader import Reader
from benchlog.units import format_ppm, format_u_ppm

PART = "rc-8mhz-delivered"


@pytest.fixture
def bench(tmp_path):
    scenario = demo_scenario(
        load_part(PART),
        seed=5,
        offset_ppm=0.0,
        bench=DemoBench(gate_s=0.02, trimmer=True),
    )
    with SimulatedBench(scenario, HostClock()) as served:
        path = tmp_path / "trim-bench.toml"
        path.write_text(served.bench_toml())
        yield served, path


def benchlog(tmp_path, *words, **more):
    environment = {
        **os.environ,
        **more,
        "BENCHLOG_DB": str(tmp_path / "trim.db"),
        "XDG_STATE_HOME": str(tmp_path),
    }
    return run(
        [*PROGRAM, *words],
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_a_chip_is_trimmed_over_a_real_line(bench, tmp_path):
    served, path = bench
    words = ("trim", "--bench", str(path), "--part", PART, "--device", "RC-101")
    done = benchlog(tmp_path, *words, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    hold(found)
    safe = load_part(PART).trim.safe
    assert all(any(a <= c <= b for a, b in safe) for c in served.firmware.asked)
    assert served.firmware.code == found["best_code"]
    # Only the four documented lines: nothing that could burn a code for good.
    assert served.firmware.heard <= {b"id?", b"trim"}
    # some 500 ppm; more where a busy computer draws thirty readings out, as it drifts
    assert 0 < found["u_ppm"] < 4_000
    codes = [code for a, b in safe for code in range(a, b + 1)]
    register = served.firmware.register_ppm
    closest = min(abs(register[code]) for code in codes)
    # The device's own law and noise (some 100 ppm) come on top of the register.
    assert abs(register[found["best_code"]]) <= closest + 1_500
    assert len(found["table"]) < len(codes) / 4
    with Reader.open(tmp_path / "trim.db") as reader:
        run = reader.latest_run()
        columns = reader.columns_after(run.id)
        texts = [event.text for _, event in reader.events(run.id)]
    assert run.purpose == "trim"
    assert run.ended_how == "best code found"
    assert (columns.flags & Flag.GAP_BEFORE).any()
    assert any("burn it yourself" in text for text in texts)
    # what is kept of the run is the best code's, not a mean of all that were tried
    on_trial = (columns.flags & Flag.SETTLING) != 0
    last = len(columns) - int(on_trial.sum())
    assert last >= 30 and on_trial[:-last].all() and not on_trial[-last:].any()
    kept = json.loads(benchlog(tmp_path, "show", str(run.id), "--json").stdout)
    hold(kept)
    for key in ("offset_ppm", "u_ppm"):  # one run, one truth
        assert kept[key] == pytest.approx(found[key], rel=1e-9), key
    (told,) = [text for text in texts if "burn it yourself" in text]
    figure = f"{format_ppm(kept['offset_ppm'], kept['u_ppm'])} +- "
    assert f"{figure}{format_u_ppm(kept['u_ppm'])} ppm" in told
    said = benchlog(tmp_path, "fitness", str(run.id))
    assert said.returncode == 2 and "is a trim" in said.stderr

    # each order and each value read back is a row, with its time
    orders = [(one["quantity"], one["value"], one["unit"]) for one in kept["orders"]]
    asked = [float(code) for code in served.firmware.asked]
    assert orders[::2] == [("trim ordered", code, "code") for code in asked]
    assert orders[1::2] == [("trim read back", code, "code") for code in asked]
    assert kept["orders"] == sorted(kept["orders"], key=lambda one: one["utc"])


NARROW = """
[part]
id = "rc-narrow"
title = "RC with few codes"
kind = "rc"
nominal_hz = 8_000_000

[limits]
tolerance_percent = 1

[trim]
safe = [[0, 9]]
settle_s = 0.02
"""


@pytest.fixture
def narrow(tmp_path):
    """A part whose safe codes all leave the chip far too slow."""
    path = tmp_path / "rc-narrow.toml"
    path.write_text(NARROW)
    return path


def test_a_chip_that_no_code_brings_in_fails_and_says_what_can_be_done(
    bench, narrow, tmp_path
):
    _, path = bench
    words = ("trim", "--bench", str(path), "--part", str(narrow), "--device", "RC-103")
    done = benchlog(tmp_path, *words, "--no-screen")  # as every other command takes it
    assert done.returncode == 3, done.stdout
    said = " ".join(done.stdout.split())
    assert "verdict ✗ FAIL" in said
    assert "lies outside +-10,000 ppm" in said
    assert "among those that the part file allows (0 to 9)" in said
    assert "best, but beyond tolerance" in said
    (row,) = json.loads(benchlog(tmp_path, "runs", "--json").stdout)
    assert row["verdict"] == "fail"
    with Reader.open(tmp_path / "trim.db") as reader:
        page = run_page(reader, [reader.run(1)], HostClock())
    shown = [block for section in page.sections for block in section.blocks]
    (ruling,) = [block for block in shown if isinstance(block, Ruling)]
    assert ruling.headline.startswith("FAIL. Best code 9: ")


def test_a_trim_that_is_interrupted_names_no_best_code(bench, narrow, tmp_path):
    """Ctrl-C within the search: what is set now is told, and nothing as the result."""
    served, path = bench
    words = ("trim", "--bench", str(path), "--part", str(narrow), "--device", "RC-104")
    environment = {**os.environ, "BENCHLOG_DB": str(tmp_path / "cut.db")}
    with Program(
        [*PROGRAM, *words],
        env={**environment, "XDG_STATE_HOME": str(tmp_path)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as trimming:
        while "code " not in (line := trimming.stderr.readline()):
            assert line
        trimming.send_signal(signal.SIGINT)
        said, _ = trimming.communicate(timeout=60)
    assert trimming.returncode == 4, said
    assert "no best code" in said and "trim it again" in said
    assert f"code {served.firmware.code} is set now" in said
    assert "best code 4," not in said and "nan" not in said


OUTDATED = """
from benchlog.driver import Trimmer
from benchlog_drivers.line_trim import LineTrim


class OldTrim(Trimmer):
    \"\"\"Written when a trimmer had `set_code` and nothing else.\"\"\"

    options = LineTrim.options

    def __init__(self, *given):
        super().__init__(*given)
        self.line = LineTrim(*given)

    def open(self):
        self.line.open()

    def identify(self):
        return self.line.identify()

    def read(self):
        raise NotImplementedError("nobody ever asked for it")

    def set_code(self, code):
        self.line.set(code)

    def close(self):
        self.line.close()
"""


@pytest.mark.campaign  # every suite: test_sound_trimmer.py
def test_a_trimmer_of_the_contract_of_before_goes_on_working(bench, tmp_path):
    served, path = bench
    about = tmp_path / "old_trim-1.0.dist-info"
    about.mkdir()
    (tmp_path / "old_trim.py").write_text(OUTDATED)
    (about / "METADATA").write_text("Name: old-trim\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text(
        "[benchlog.drivers]\nold-trim = old_trim:OldTrim\n"
    )
    path.write_text(path.read_text().replace('"line-trim"', '"old-trim"'))
    words = ("trim", "--bench", str(path), "--part", PART, "--device", "RC-7")
    done = benchlog(tmp_path, *words, "--json", PYTHONPATH=str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert served.firmware.code == json.loads(done.stdout)["best_code"]
    with Reader.open(tmp_path / "trim.db") as reader:
        texts = [event.text for _, event in reader.events(1)]
        rows = [one.quantity for _, one in reader.conditions(1)]
    assert sum("contract of before" in text for text in texts) == 1
    assert done.stderr.count("contract of before") == 1
    assert rows.count("trim ordered") == len(served.firmware.asked)
    assert "trim read back" not in rows


def test_a_code_that_may_not_be_set_is_bad_usage(bench, tmp_path):
    served, path = bench
    words = ("trim", "--bench", str(path), "--part", PART, "--device", "RC-101")
    done = benchlog(tmp_path, *words, "--start", "999")
    assert done.returncode == 2
    assert "999 is not within the safe codes 0 to 110" in done.stderr
    assert not served.firmware.asked and not (tmp_path / "trim.db").exists()


@pytest.mark.parametrize(
    ("part", "expected"),
    [("quartz-16mhz-30ppm", "states no trim codes")],
)
def test_a_part_without_trim_is_refused(bench, tmp_path, part, expected):
    _, path = bench
    done = benchlog(
        tmp_path, "trim", "--bench", str(path), "--part", part, "--device", "K"
    )
    assert done.returncode == 2
    assert expected in done.stderr


def command_trim(program, **options):
    return CommandTrim("", {"program": str(program), **options}, HostClock())


@pytest.fixture
def script(tmp_path):
    def write(text, name="set code; rm -rf nothing.sh"):
        path = tmp_path / name
        path.write_text(f"#!/bin/sh\n{text}\n")
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
        return path

    return write


def test_a_program_gets_the_code_as_a_word_and_no_shell_sees_it(script, tmp_path):
    out = tmp_path / "got"
    driver = command_trim(
        script(f'printf "%s|" "$@" > "{out}"'), arguments="-c {code};x"
    )
    driver.open()
    driver.set(87)
    assert out.read_text() == "-c|87;x|"
    assert driver.read().value == 87


def test_a_program_that_hangs_is_ended_in_time(script):
    driver = command_trim(script("sleep 60"), limit_s=0.5)
    limit = host_deadline(5.0)
    with pytest.raises(SilentError, match=r"had not ended after 0\.5 s"):
        driver.set(1)
    assert not limit.passed


def test_a_program_that_fails_or_floods_is_reported_and_bounded(script):
    driver = command_trim(script("head -c 5000000 /dev/zero | tr '\\0' x; exit 3"))
    with pytest.raises(RefusedError, match="ended with status 3") as caught:
        driver.set(1)
    assert len(caught.value.raw) <= 300
    assert len(str(caught.value)) < 1_000


def test_a_program_that_never_stops_talking_fills_no_disk(script, tmp_path):
    """Some 100 MB/s for as long as it may: ended in time, its end is kept."""
    driver = command_trim(script("yes 'still busy'"), limit_s=0.5)
    taken = []
    for _ in range(3):  # others write on the same disk: the least is nearest to ours
        before = disk_free(tmp_path), disk_free(Path("/tmp"))
        limit = host_deadline(5.0)
        with pytest.raises(SilentError) as caught:
            driver.set(1)
        assert not limit.passed
        assert b"still busy" in caught.value.raw and len(caught.value.raw) <= 300
        after = disk_free(tmp_path), disk_free(Path("/tmp"))
        taken.append(max(b - a for b, a in zip(before, after, strict=True)))
        if taken[-1] < 20e6:
            break
    assert min(taken) < 20e6


def disk_free(path):
    found = os.statvfs(path)
    return found.f_bavail * found.f_frsize


def test_what_a_program_leaves_running_is_not_waited_for(script):
    """Its child keeps the pipe open; exit status 0 means that the code took."""
    driver = command_trim(script("sleep 3 & exit 0"), limit_s=2.0)
    limit = host_deadline(1.5)
    driver.set(5)
    assert not limit.passed and driver.read().value == 5


def test_a_hostile_program_ends_a_trim_in_words_and_the_run_stays(
    bench, script, tmp_path
):
    """`trim` as a person types it: the failure is said, raw readings are kept."""
    _, path = bench
    program = script("printf '\\033[2Jgone wrong\\n'; exit 9")
    text = path.read_text().split("[instruments.trimmer]")[0]
    text += f"""[instruments.trimmer]
driver = "command-trim"
program = {json.dumps(str(program))}
arguments = "'set it' {{code}}; reboot"

[[position]]
name = "A"
frequency = "counter"
trim = "trimmer"
"""
    hostile = tmp_path / "hostile.toml"
    hostile.write_text(text)
    words = ("trim", "--bench", str(hostile), "--part", PART, "--device", "RC; rm -r")
    done = benchlog(tmp_path, *words)
    assert done.returncode == 1
    assert "ended with status 9" in done.stderr and "Traceback" not in done.stderr
    assert "\033" not in done.stderr + done.stdout
    with Reader.open(tmp_path / "trim.db") as reader:
        run = reader.latest_run()
        texts = [event.text for _, event in reader.events(run.id)]
    assert run.device == "RC; rm -r" and not run.open
    assert any("could not be set" in text for text in texts)


def test_words_are_told_apart_as_a_shell_would(script, tmp_path):
    out = tmp_path / "got"
    program = script(f'printf "%s|" "$@" > "{out}"')
    driver = command_trim(program, arguments="--name 'a chip' \"{code}\" $HOME `id`")
    driver.set(7)
    assert out.read_text() == "--name|a chip|7|$HOME|`id`|"
    with pytest.raises(UsageError, match="close the quotes"):
        command_trim(program, arguments="'{code}").open()


def test_a_program_that_is_not_there_is_named():
    with pytest.raises(LostError, match="no such program of ours"):
        command_trim("no such program of ours").open()


def test_firmware_that_talks_nonsense_sets_nothing(bench):
    from benchlog_drivers.line_trim import LineTrim

    served, _ = bench
    driver = LineTrim(served.addresses()["trimmer"], {}, HostClock())
    driver.open()
    assert driver.identify().simulated
    before = driver.read().value
    with pytest.raises(InstrumentError, match="out of range"):
        driver.set(99_999)
    assert driver.read().value == before
    driver.close()
