"""A list of devices that are in their places: gone on with, each is where it was."""

import pytest
from lot_shop import Shop
from lot_table import Table
from waiting import wait_for

FEW = ["--min-readings", "5", "--full", "--lot-size", "2"]


def opening(shop: Shop) -> list[str]:
    given = ["--bench", "bench.toml", "--part", shop.part]
    return shop.words(*given, *FEW, "--ids", "ids.txt", "--json")


def test_a_device_that_was_cut_is_measured_where_it_was(two: Shop) -> None:
    """Before, it was measured at the first free position, where another one is in."""
    (two.folder / "ids.txt").write_text("D-1\nD-2\n")
    two.bench.remove("B")  # bad contact: nothing comes
    with two.start(opening(two)) as process:
        wait_for(lambda: any(run.counts for run in Table.runs_of(two)))
        process.kill()
        process.wait(20)
    two.bench.insert("B", -4.0)
    (two.folder / "ids.txt").write_text("D-1\nD-2\nD-2\n")  # typed twice: once
    done = two.run(opening(two))
    assert done.returncode == 0, done.stderr
    counted = {run.device: run for run in two.runs() if run.counts}
    assert {name: run.position for name, run in counted.items()} == {
        "D-1": "A",
        "D-2": "B",
    }
    assert counted["D-2"].offset_ppm == pytest.approx(-4.0, abs=0.5)
    assert "D-2 is measured at B, where it was before" in done.stderr
    assert "D-2 is not measured: it is in already" in done.stderr
    assert [run.position for run in two.runs() if run.device == "D-2"] == ["B", "B"]
