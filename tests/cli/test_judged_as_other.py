"""A verdict on another part is none on the part that a lot, or a list, names."""

import json
from dataclasses import replace

import pytest
from cli.conftest import Line
from store.making import begin, rows

from benchlog.clock import VirtualClock
from benchlog.store.writer import Writer

OFFSET_PPM = 200.0  # beyond the 30 ppm of the part of `making`, within a ceramic one's
WIDE = "ceramic-16mhz"


def failed(line: Line) -> None:
    """Put a lot of one device that fails its part into the database."""
    with Writer.open(line.db, VirtualClock()) as writer:
        run, segment = begin(writer, lot="L1")
        for _, _, one in rows(run, segment, 40):
            hz = one.frequency_hz * (1 + OFFSET_PPM * 1e-6)
            writer.commit([(run, segment, replace(one, frequency_hz=hz))])
        writer.end_run(run, "stopped")
    line.run("judge", "1")


def the_lot(line: Line) -> dict:
    (lot,) = json.loads(line.run("lots", "--json").stdout)
    return lot


def counts(lot: dict) -> tuple[int, int, int]:
    return lot["passed"], lot["failed"], lot["undecided"]


def test_a_lot_takes_no_verdict_on_another_part(line: Line) -> None:
    """Before, a lot of 10 ppm that was rejected was accepted, judged as 50 ppm."""
    failed(line)
    before = the_lot(line)
    assert counts(before) == (0, 1, 0)
    assert line.run("judge", "1", "--part", WIDE).returncode == 0
    lot = the_lot(line)
    assert counts(lot) == (0, 0, 1)
    assert lot["limit_ppm"] == before["limit_ppm"]
    (device,) = lot["devices"]
    assert device["verdict"] == "undecided" and WIDE in device["doubt"]


def test_lists_name_the_part_that_a_verdict_is_on(line: Line) -> None:
    """Before, `results` and `devices` told a pass of the part that it had failed."""
    failed(line)
    assert line.run("judge", "1", "--part", WIDE).returncode == 0
    for words in (("runs",), ("results",), ("devices",)):
        (row,) = json.loads(line.run(*words, "--json").stdout)
        assert (row["part"], row["verdict"]) == (WIDE, "pass"), words
    (shown,) = [line.run("show", "1", "--json").stdout]
    assert json.loads(shown)["part"] == WIDE


def test_a_lot_of_a_dataset_has_what_was_judged_as_another_part(line: Line) -> None:
    """Before, such a device was in no lot there: a rejected lot was an empty one."""
    pytest.importorskip("pyarrow")
    failed(line)
    assert line.run("judge", "1", "--part", WIDE).returncode == 0
    assert line.run("export", "--dataset", "all").returncode == 0
    here = the_lot(line)
    (lot,) = json.loads(line.run("lots", "--dataset", "all", "--json").stdout)
    assert counts(lot) == counts(here) == (0, 0, 1)
    assert lot["limit_ppm"] == here["limit_ppm"]
    (device,) = lot["devices"]
    assert device["verdict"] == "undecided" and WIDE in device["doubt"]
