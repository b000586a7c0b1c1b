"""A part file that is changed while a lot is measured: the lot has one tolerance."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from cli.conftest import Line
from exchange.asking import ask
from store.making import PART, begin, rows

from benchlog.clock import VirtualClock
from benchlog.evaluation.lot_plan import plan_document
from benchlog.model import Lot, Part, Purpose
from benchlog.store.writer import Writer
from benchlog.verdict.lot.sampling_plan import custom_plan

TIGHT_PPM, WIDE_PPM = 10.0, 50.0
OFFSETS_PPM = (13.0, 12.0, 3.0)  # two of three beyond the tighter tolerance
FILE = """
[part]
id = "mine"
title = "mine"
kind = "quartz"
nominal_hz = 16e6
[limits]
tolerance_ppm = {}
"""


def mine(tolerance_ppm: float) -> Part:
    limits = replace(PART.limits, tolerance_ppm=tolerance_ppm)
    return replace(PART, id="mine", limits=limits)


def measured(path: Path, device: str, offset_ppm: float, tolerance_ppm: float) -> int:
    """Measure a device for the lot, as with a part file that has this tolerance."""
    with Writer.open(path, VirtualClock()) as writer:
        part = mine(tolerance_ppm)
        run, segment = begin(
            writer, device, lot="L1", part=part, purpose=Purpose.INSPECT
        )
        for _, _, one in rows(run, segment, 40):
            hz = one.frequency_hz * (1 + offset_ppm * 1e-6)
            writer.commit([(run, segment, replace(one, frequency_hz=hz))])
        writer.end_run(run, "stopped")
    return run


def opened(path: Path) -> None:
    plan = plan_document(custom_plan(20, 3, 0))
    with Writer.open(path, VirtualClock()) as writer:
        lot = Lot(lot="L1", part_id="mine", size=20, plan=plan)
        writer.open_lot(lot, mine(TIGHT_PPM))


@pytest.fixture
def rejected(line: Line) -> Line:
    """A lot of a part of 10 ppm that has failed; its part file says 50 ppm by now."""
    opened(line.db)
    for number, offset_ppm in enumerate(OFFSETS_PPM):
        run = measured(line.db, f"D-{number}", offset_ppm, TIGHT_PPM)
        line.run("judge", str(run))
    assert the_lot(line)["decision"] == "rejected"
    folder = line.folder / "configs" / "parts"
    folder.mkdir(parents=True)
    (folder / "mine.toml").write_text(FILE.format(WIDE_PPM))
    return line


def the_lot(line: Line, *more: str) -> dict:
    (lot,) = json.loads(line.run("lots", "--json", *more).stdout)
    return lot


def words(lot: dict) -> dict[str, str]:
    return {one["device"]: one["verdict"] for one in lot["devices"]}


def test_a_rejected_lot_is_not_accepted_by_some_verdicts_on_more(
    rejected: Line,
) -> None:
    """Before, the two passed, the lot was accepted, and its limit was 50 ppm."""
    for run in "12":
        assert rejected.run("judge", run, "--part", "mine").returncode == 0
    lot = the_lot(rejected)
    assert words(lot) == {"D-0": "undecided", "D-1": "undecided", "D-2": "pass"}
    assert lot["decision"] == "open" and lot["limit_ppm"] == TIGHT_PPM
    doubt = lot["devices"][0]["doubt"]
    assert "+-50 ppm and not +-10 ppm" in doubt and "--part" in doubt
    said = rejected.run("inspect", "--lot", "L1", "--result").stdout
    assert "looser tolerance" in said and "LOT ACCEPTED" not in said


def test_a_lot_that_is_judged_anew_as_a_whole_is_decided(rejected: Line) -> None:
    for run in "123":
        assert rejected.run("judge", run, "--part", "mine").returncode == 0
    lot = the_lot(rejected)
    assert set(words(lot).values()) == {"pass"}
    assert lot["decision"] == "accepted" and lot["limit_ppm"] == WIDE_PPM


def test_two_benches_with_other_part_files_make_no_lot_of_two_tolerances(
    line: Line,
) -> None:
    """Before, merged, the lot was accepted, by whichever tolerance each bench had."""
    opened(line.db)
    line.run("judge", str(measured(line.db, "D-2", 3.0, TIGHT_PPM)))
    there = line.folder / "there.db"
    opened(there)
    for number, offset_ppm in enumerate(OFFSETS_PPM[:2]):
        run = measured(there, f"D-{number}", offset_ppm, WIDE_PPM)
        line.run("judge", str(run), "--db", str(there))
    assert line.run("merge", str(there)).returncode == 0
    lot = the_lot(line)
    assert words(lot) == {"D-2": "pass", "D-0": "undecided", "D-1": "undecided"}
    assert lot["decision"] == "open"


def test_a_device_that_was_measured_again_counts_by_its_newest_tolerance(
    line: Line,
) -> None:
    opened(line.db)
    for tolerance_ppm in (TIGHT_PPM, WIDE_PPM):
        run = measured(line.db, "D-0", OFFSETS_PPM[0], tolerance_ppm)
        line.run("judge", str(run))
    assert words(the_lot(line)) == {"D-0": "pass"}


def test_lots_and_chips_tell_alike_of_database_and_dataset(rejected: Line) -> None:
    pytest.importorskip("pyarrow")
    rejected.run("judge", "1", "--part", "mine")
    assert rejected.run("export", "--dataset", "all").returncode == 0
    here, there = the_lot(rejected), the_lot(rejected, "--dataset", "all")
    assert (
        words(here)
        == words(there)
        == {
            "D-0": "undecided",
            "D-1": "fail",
            "D-2": "pass",
        }
    )
    for more in ((), ("--dataset", "all")):
        found = json.loads(rejected.run("chips", "--lot", "L1", "--json", *more).stdout)
        told = {one["device"]: one["word"] for one in found["ranking"]}
        assert told == words(here)
    sql = "select device, word from inspected_devices"
    assert dict(ask(rejected.folder / "all", sql)) == words(here)
