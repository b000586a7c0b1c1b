"""`benchlog stability --over-time` on a long run made elsewhere."""

import json
from pathlib import Path

import numpy as np
import pytest
from cli.test_studies import Desk
from seeds import seeded_generator

from benchlog.clock import host_clock
from benchlog.pages.page_builder import run_page
from benchlog.store.reader import Reader

HZ = 10e6


@pytest.fixture
def night(tmp_path: Path) -> Desk:
    """1,200 gates of 1 s from 20:00 UTC on; from 800 s on twice as restless."""
    line = Desk(tmp_path)
    y = 1e-9 * seeded_generator(11).standard_normal(1200)
    y[800:] *= 2.0
    begin = np.datetime64("2026-03-02T20:00:00")
    rows = [
        f"{begin + np.timedelta64(k, 's')}Z,{HZ * (1 + value):.7f}"
        for k, value in enumerate(y)
    ]
    (line.folder / "night.csv").write_text(
        "utc,frequency_hz\n" + "\n".join(rows) + "\n"
    )
    words = ("--nominal-hz", "10e6", "--gate-s", "1", "--device", "OSC-1")
    done = line.run("import", str(line.folder / "night.csv"), *words)
    assert done.exit_code == 0, done.stderr
    return line


def test_a_map_and_what_it_tells_in_80_columns(night: Desk) -> None:
    done = night.run("stability", "1", "--over-time")
    assert done.exit_code == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    said = " ".join(done.stdout.split())
    assert "The adev at 1 s rose from 1." in said
    assert "at 13 min 20 s (2026-03-02 20:13 UTC), to the nearest 1 min 40 s" in said
    rows = [row for row in done.stdout.splitlines() if row.count("|") == 2]
    assert len(rows) >= 4 and rows[-1].split("|")[0].strip() == "1"
    assert rows[-1].split("|")[1].strip("░")[:1] in "▒▓"


def test_its_document_has_the_map_and_the_changes(night: Desk) -> None:
    done = night.run("stability", "1", "--over-time", "--window", "2m", "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout, parse_constant=pytest.fail)
    assert found["window_s"] == 120.0 and found["begun_utc"].startswith("2026-03-02T20")
    assert len(found["values"]) == len(found["tau_s"])
    assert {len(row) for row in found["values"]} == {len(found["t_s"])}
    (change,) = found["changes"]
    assert change["ratio"]["low"] < 2.0 < change["ratio"]["high"]
    assert change["lasting"] and change["begin_s"] == pytest.approx(800, abs=120)


def test_pictures_and_the_page_have_it_too(night: Desk) -> None:
    done = night.run(
        "stability", "1", "--over-time", "--plot", str(night.folder / "map.svg")
    )
    assert done.exit_code == 0, done.stderr
    assert "The adev at 1 s rose" in (night.folder / "map.svg").read_text()
    with Reader.open(night.db) as reader:  # not drawn, which takes half a second
        page = repr(run_page(reader, [reader.run(1)], host_clock()))
    assert "along the run, against the usual of each averaging time" in page
    assert "The adev at 1 s rose" in page


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--window", "5m"), "--over-time"),
        (("--over-time", "--kind", "mtie"), "adev or hdev"),
        (("--over-time", "--tau", "1s"), "its own averaging times"),
        (("--over-time", "--window", "10s"), "too short"),
        (("--over-time", "--window", "10m"), "4 windows"),
    ],
)
def test_mistakes(night: Desk, words: tuple[str, ...], said: str) -> None:
    done = night.run("stability", "1", *words)
    assert done.exit_code in (1, 2)
    assert said in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""
