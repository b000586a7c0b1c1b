"""The verdict that is kept of a rack's device: what `runs` and `show` tell of it."""

import json
from contextlib import closing

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from kept_rows import NAMES, kept_rows, listed_rows
from rack_scene import write_rack

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.exchange.dataset.write import write_dataset
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer

SCENE_PPM = {1: 0.3, 2: 0.1}
"""How fast the scene's devices are at 25 C."""


@pytest.fixture
def database(tmp_path):
    path = tmp_path / "q.db"
    write_rack(path, "temperature-five-points", devices=2)
    return path


def run(database, *words):
    done = CliRunner().invoke(root, [*words, "--db", str(database)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.output
    return done


def test_a_device_judged_again_is_kept_as_it_is_listed(database):
    """Kept was the mean over all temperatures, with another U and word."""
    for number in SCENE_PPM:
        assert run(database, "judge", str(number)).exit_code in (0, 3, 4)
    kept = kept_rows(database)
    assert kept == listed_rows(database)
    for number, true_ppm in SCENE_PPM.items():
        offset_ppm, u_ppm, word, readings = kept[number]
        assert abs(offset_ppm - true_ppm) <= u_ppm < 0.05
        assert (word, readings) == ("pass", 120)


def test_judged_against_another_part_it_is_kept_as_it_is_listed(database):
    run(database, "judge", "1", "--part", "ocxo-10mhz-20ppb", "--reason", "mistyped")
    offset_ppm, _, word, _ = kept_rows(database)[1]
    assert word == "fail" and abs(offset_ppm - SCENE_PPM[1]) < 0.01
    assert kept_rows(database)[1] == listed_rows(database)[1]


def test_judge_tells_what_it_keeps(database):
    """It printed the mean of all places beside the verdict that it kept."""
    done = run(database, "judge", "1", "--json")
    document = json.loads(done.stdout)
    assert [document[name] for name in NAMES] == kept_rows(database)[1]
    assert done.exit_code == 0
    told = run(database, "judge", "1", "--try").stdout
    assert "offset-at-reference" in told and "conformance" not in told


def test_show_as_json_has_no_mean_of_all_places(database):
    document = json.loads(run(database, "show", "1", "--json").stdout)
    assert [document[name] for name in NAMES] == listed_rows(database)[1]
    assert document["conformance"] is None and document["budget"] is None


@pytest.mark.parametrize("kept", ["nothing", "a mean", "what was found"])
def test_a_dataset_has_what_is_listed(database, tmp_path, kept):
    figures = dict.fromkeys(
        ("readings", "gaps", "jitter_ppm_rms", "gate_s", "span_s"), 1
    )
    names = ("offset_ppm", "u_ppm", "limit_ppm", "conformance", "verdict")
    figures |= dict.fromkeys(names)
    timebase = {"status": "assumed", "offset_ppm": 0.0, "u_ppm": 0.005}
    figures |= {"timebase": timebase, "ambient_c": {"mean": 40.0}}
    of_all_places = VerdictRow(
        word="undecided", offset_ppm=0.9, u_ppm=1.2, figures=figures
    )
    if kept == "a mean":
        with Writer.open(database, VirtualClock()) as writer:
            writer.add_verdict(1, of_all_places)
    elif kept == "what was found":
        run(database, "judge", "1")
    with closing(Reader.open(database)) as reader:
        write_dataset(reader, tmp_path / "set")
    rows = [
        row
        for path in (tmp_path / "set").rglob("*.parquet")
        if {"run", "u_ppm"} <= set(pq.read_schema(path).names)
        for row in pq.ParquetFile(path).read().to_pylist()
    ]
    (first,) = (row for row in rows if row["run"] == 1)
    assert [first[name] for name in NAMES] == listed_rows(database)[1]
