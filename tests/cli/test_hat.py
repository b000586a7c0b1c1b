"""`benchlog hat` on runs made elsewhere at the same moments."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cli.test_studies import Desk
from seeds import seeded_generator

HZ = 10e6


def imported(
    line: Desk, device: str, y: np.ndarray[Any, Any], begin_s: float = 0.0
) -> None:
    path = line.folder / f"{device}.csv"
    begin = np.datetime64("2026-03-02T08:00:00.000")
    lines = ["utc,frequency_hz"]
    for k, value in enumerate(y):
        at = begin + np.timedelta64(round(1000 * (begin_s + k)), "ms")
        lines.append(f"{at}Z,{HZ * (1 + value):.7f}")
    path.write_text("\n".join(lines) + "\n")
    done = line.run(
        "import", str(path), "--nominal-hz", "10e6", "--gate-s", "1",
        "--device", device,
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """Devices of 3e-9, 2e-9 and 1.5e-9 white FM; a time base of 2e-8."""
    line, rng = Desk(tmp_path_factory.mktemp("three")), seeded_generator(41)
    base = 2e-8 * rng.standard_normal(600)
    for device, size in (("OSC-A", 3e-9), ("OSC-B", 2e-9), ("OSC-C", 1.5e-9)):
        imported(line, device, size * rng.standard_normal(600) + base)
    return line


@pytest.fixture
def trio(three: Desk, tmp_path: Path) -> Desk:
    """A database of its own with the three."""
    line = Desk(tmp_path)
    shutil.copy(three.db, line.db)
    return line


def test_each_devices_own_stability_without_the_time_base(trio: Desk) -> None:
    done = trio.run("hat", "1", "2", "3", "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout, parse_constant=pytest.fail)
    assert [one["device"] for one in found["devices"]] == ["OSC-A", "OSC-B", "OSC-C"]
    assert found["moments"] == 600 and found["skew_s"] == 0.0
    first = found["rows"][0]
    for own, truth in zip(first["own"], (3e-9, 2e-9, 1.5e-9), strict=True):
        assert own["low"] <= truth <= own["high"]
        assert own["value"] == pytest.approx(truth, rel=0.3)
    assert len(first["pairs"]) == 3 and len(first["covariance"]) == 3
    said = trio.run("stability", "1", "--tau", "1s", "--json")
    assert json.loads(said.stdout)["rows"][0]["value"] > 1.5e-8, "all in"


def test_it_is_readable_in_80_columns(trio: Desk) -> None:
    done = trio.run("hat", "1", "2", "3")
    assert done.exit_code == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    head, *_ = done.stdout.partition("\n\n")
    assert head.startswith("A OSC-A, run 1: own adev ") and "as read 2." in head
    assert "tau/s  A  " in done.stdout
    assert "time base, is in none of the figures" in " ".join(done.stdout.split())


def test_four_devices_have_a_line_each(trio: Desk) -> None:
    rng = seeded_generator(42)
    imported(trio, "OSC-D", 2e-8 * rng.standard_normal(600))
    done = trio.run("hat", "1", "2", "3", "4", "--tau", "1s,10s")
    assert done.exit_code == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    # a fourth one without the time base: it is part of what that one has to itself
    assert "D OSC-D, run 4: own adev 2." in done.stdout
    said = trio.run("hat", "1", "2", "3", "4", "--tau", "1s", "--json")
    own = json.loads(said.stdout)["rows"][0]["own"]
    assert own[3]["value"] == pytest.approx(np.hypot(2e-8, 2e-8), rel=0.1)
    assert own[0]["value"] == pytest.approx(3e-9, rel=0.15)


def test_a_page_and_a_picture(trio: Desk) -> None:
    words = ("--out", str(trio.folder / "trio.html"))
    words += ("--plot", str(trio.folder / "trio.svg"))
    done = trio.run("hat", "1", "2", "3", *words)
    assert done.exit_code == 0, done.stderr
    page = (trio.folder / "trio.html").read_text()
    for said in ("Own stability", "Premoli", "OSC-B", "not a calibration certificate"):
        assert said in page
    assert "<desc>A OSC-A" in (trio.folder / "trio.svg").read_text()
    again = trio.run("hat", "1", "2", "3", *words)
    assert again.exit_code == 2 and "--overwrite" in again.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("1", "2"), 2, "three different runs"),
        (("1", "2", "2"), 2, "three different runs"),
        (("1", "2", "9"), 2, "no run '9'"),
        (("1", "2", "3", "--plot", "x.bmp"), 2, ".svg"),
        (("1", "2", "4"), 1, "at the same moments"),
    ],
)
def test_mistakes(trio: Desk, words: tuple[str, ...], code: int, said: str) -> None:
    if "4" in words:
        imported(trio, "OSC-D", 1e-9 * np.arange(100.0) ** 2, 86_400.0)
    done = trio.run("hat", *words)
    assert done.exit_code == code
    assert said in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""
