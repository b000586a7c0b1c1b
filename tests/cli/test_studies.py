"""`stability`, `temperature`, `ageing`: from a file through the database to figures."""

import csv
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from cli.conftest import Line
from click.testing import CliRunner, Result
from matplotlib.image import imread
from schemas_held import hold_printed
from seeds import seeded_generator
from store.making import begin, reading
from warm_program import run

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.model import Condition, Event, EventKind, Flag
from benchlog.pages.run_record import run_record
from benchlog.screen.study import study
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

PART = "quartz-16mhz-30ppm"
SVG = "{http://www.w3.org/2000/svg}"
HANDBOOK = Path(__file__).parent.parent / "data" / "sp1065_1000pt.csv"
KINDS = {
    "ADEV": ("adev", "plain"),
    "OADEV": ("adev", "overlapping"),
    "MDEV": ("mdev", "overlapping"),
    "TDEV": ("tdev", "overlapping"),
    "OHDEV": ("hdev", "overlapping"),
    "TOTDEV": ("totdev", "overlapping"),
}


@dataclass
class Desk:
    """The command line in this process, on a database of its own."""

    folder: Path

    @property
    def db(self) -> Path:
        return self.folder / "t.db"

    def run(self, *words: str) -> Result:
        done = CliRunner().invoke(root, [*words, "--db", str(self.db)])
        hold_printed(words, done.stdout)
        return done

    def document(self, *words: str) -> dict[str, Any]:
        done = self.run(*words, "--json")
        assert done.exit_code == 0, done.output
        found = json.loads(done.stdout, parse_constant=pytest.fail)
        assert isinstance(found, dict)
        return found

    def said(self, *words: str, code: int = 1) -> str:
        """The one sentence of a command that fails."""
        done = self.run(*words)
        assert done.exit_code == code, done.output
        assert done.stdout == ""
        assert "unexpected" not in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
        return done.stderr.strip()

    def brought_in(self, lines: list[str], *more: str) -> None:
        path = self.folder / "made elsewhere.txt"
        path.write_text("\n".join(lines) + "\n")
        done = self.run("import", str(path), "--nominal-hz", "16e6", *more)
        assert done.exit_code == 0, done.output

    def write(self, count: int, **odd: dict[str, Any]) -> None:
        """Write a run; `odd` maps `at_N` to what differs in reading N."""
        with Writer.open(self.db, VirtualClock()) as writer:
            run, segment = begin(writer)
            rng = seeded_generator(1)
            for n in range(count):
                hertz = 8e6 + float(rng.normal(0, 0.01))
                more = {"frequency_hz": hertz} | odd.get(f"at_{n}", {})
                writer.commit([(run, segment, reading(n, **more))])


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def swept(low: float, high: float, count: int = 400) -> list[str]:
    """Seconds, Hz and C: 0.2 ppm a degree about 25 C, and a little scatter."""
    rng = seeded_generator(2)
    middle, half = (low + high) / 2, (high - low) / 2
    ambient = middle + half * np.sin(np.arange(count) / count * 15)
    ppm = 0.2 * (ambient - 25) + rng.normal(0, 0.01, count)
    rows = zip(16e6 * (1 + ppm * 1e-6), ambient, strict=True)
    return [
        "time_s,frequency_hz,ambient_c",
        *(f"{n},{f:.5f},{c:.3f}" for n, (f, c) in enumerate(rows)),
    ]


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """A run through 10 to 40 C, for the tests that only look."""
    desk = Desk(tmp_path_factory.mktemp("room"))
    desk.brought_in(swept(10, 40), "--part", PART, "--column", "2")
    return desk


# --- figures -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def handbook(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """The 1000 points of SP 1065 12.4 as a phase file, a millionth as large."""
    desk = Desk(tmp_path_factory.mktemp("handbook"))
    n, phase = 1234567890, [0.0]
    for _ in range(1000):
        phase.append(phase[-1] + n / 2147483647.0 * 1e-6)
        n = 16807 * n % 2147483647
    lines = [f"{x:.17e}" for x in phase]
    desk.brought_in(lines, "--data", "phase", "--gate-s", "1")
    return desk


@pytest.mark.parametrize("statistic", KINDS)
def test_a_phase_file_gives_the_handbooks_values(handbook: Desk, statistic: str):
    """Import, database, command: NIST SP 1065 (2008) sec. 12.4, table 31."""
    lines = HANDBOOK.read_text().splitlines()
    table = csv.DictReader(line for line in lines if not line.startswith("#"))
    printed = {
        int(row["averaging_factor"]): row
        for row in table
        if row["statistic"] == statistic
    }
    kind, estimator = KINDS[statistic]
    taus = ",".join(f"{m}s" for m in printed)
    words = ("--kind", kind, "--estimator", estimator, "--tau", taus)
    found = handbook.document("stability", "1", *words)
    assert [row["tau_s"] for row in found["rows"]] == pytest.approx([*printed])
    for row, wanted in zip(found["rows"], printed.values(), strict=True):
        value = row["value"] * 1e6
        assert f"{value:.6e}" == wanted["published_7_digit"]
        if kind in ("adev", "mdev", "hdev", "tdev"):
            assert row["n"] == int(wanted["n_terms"])


def test_stability_json_has_the_contracts_keys(room: Desk):
    found = room.document("stability", "1")
    assert {"run", "kind", "tau0_s", "rows"} <= found.keys()
    assert (found["run"], found["kind"], found["tau0_s"]) == (1, "adev", 1.0)
    for row in found["rows"]:
        assert {"tau_s", "n", "value", "low", "high", "noise"} <= row.keys()
        assert row["low"] < row["value"] < row["high"]
    assert room.document("stability")["run"] == 1, "the latest when none is named"


@pytest.mark.parametrize(
    "kind", ["adev", "mdev", "tdev", "hdev", "totdev", "mtotdev", "htotdev", "mtie"]
)
def test_every_kind_has_a_table(room: Desk, kind: str):
    done = room.run("stability", "1", "--kind", kind, "--spacing", "decade")
    assert done.exit_code == 0, done.output
    heading, _, head, *lines = done.stdout.splitlines()
    assert heading.startswith(f"{kind} (overlapping) of ")
    # as it is read: averaging time, deviation, bounds, from how many, which noise
    assert head.split() == ["tau,", "s", kind, "95", "%", "interval", "n", "noise"]
    assert [line.split()[0] for line in lines[:4]] == ["1", "2", "5", "10"]


def test_given_averaging_times_and_one_longer_than_the_run(room: Desk):
    rows = room.document("stability", "1", "--tau", "1s,10,2m,3h")["rows"]
    assert [row["tau_s"] for row in rows] == [1, 10, 120, 10_800]
    assert rows[2]["n"] == 161  # 400 - 2 x 120 + 1, SP 1065 5.2.4
    assert (rows[3]["n"], rows[3]["value"], rows[3]["low"]) == (0, None, None)
    shown = room.run("stability", "1", "--tau", "3h").stdout
    cells = [line.split() for line in shown.splitlines()]
    assert ["10,800", "-", "-", "0"] in [row[:4] for row in cells]


def test_temperature_json_finds_the_law_that_made_the_data(room: Desk):
    found = room.document("temperature", "1", "--law", "line")
    assert {"law", "coefficients", "u", "r2"} <= found.keys()
    assert found["law"] == "line"
    low, high = found["intervals"]["linear"]
    assert low < 0.2 < high
    # the gain of a thermometer of 0.5 C is in it
    assert high - low < 0.02
    assert found["range_c"] == pytest.approx([10, 40], abs=0.1)
    assert found["promise"]["limit_ppm"] == 50  # the part's file
    assert not found["promise"]["measured"]
    shown = room.run("temperature", "1").stdout
    assert "cubic about 25 C" in shown, "a quartz follows a cubic unless told"
    assert "a simpler law says as much" in shown


def test_a_thermal_lag_is_in_the_document_and_on_the_line(desk: Desk):
    """A body with one time constant of 20 s: ambient 1 / sqrt(1 + (20 / 60)^2) of it
    gets through, late (first-order low pass, common practice).
    """
    lag_s, rng = 20.0, seeded_generator(3)
    turn = np.arange(900) / 60.0
    late = np.arctan(lag_s / 60.0)
    body = 25 + 10 * np.cos(late) * np.sin(turn - late)
    hertz = 16e6 * (1 + (0.2 * (body - 25) + rng.normal(0, 0.005, 900)) * 1e-6)
    ambient = 25 + 10 * np.sin(turn)
    rows = zip(hertz.tolist(), ambient.tolist(), strict=True)
    lines = [f"{n},{f:.5f},{c:.4f}" for n, (f, c) in enumerate(rows, 300)]
    desk.brought_in(["time_s,frequency_hz,ambient_c", *lines])
    found = desk.document("temperature", "1", "--law", "line")
    assert found["lag_s"] == pytest.approx(lag_s, rel=0.1)
    assert found["coefficients"]["linear"] == pytest.approx(0.2, rel=0.02)
    shown = desk.run("temperature", "1", "--law", "line").stdout
    (line,) = [one for one in shown.splitlines() if one.startswith("thermal lag")]
    said = float(line.split()[2])
    assert said == pytest.approx(found["lag_s"], rel=0.01)


def stepping_run(desk: Desk, answer: str = "") -> None:
    """Keep 400 readings that follow ambient by 0.3 ppm/C and step up by 6 ppm at 306.

    `answer` is a mark that a person typed a little before the step.
    """
    with Writer.open(desk.db, VirtualClock()) as writer:
        run, segment = begin(writer)
        rng = seeded_generator(5)
        rows: list[Any] = []
        for n in range(400):
            ambient = 25.0 + 5.0 * np.sin(n / 65)
            ppm = 0.3 * (ambient - 25) + (6.0 if n >= 306 else 0.0)
            hertz = 8e6 * (1 + ppm * 1e-6) + float(rng.normal(0, 0.01))
            one = reading(n, frequency_hz=hertz, ambient_c=ambient)
            rows.append((run, segment, one))
            if n == 311:
                told = Event(one.utc_ns, one.mono_ns, EventKind.STEP, "a step")
                rows.append((run, segment, told))
            if answer and n == 300:
                typed = Event(one.utc_ns, one.mono_ns, EventKind.MARK, answer)
                rows.append((run, segment, typed))
        writer.commit(rows)


TAKEN_OFF = (
    "a step of +6.00 ppm in run 1 was taken off: neither ambient nor time made it"
)


def test_a_step_is_taken_off_the_temperature_law_as_on_the_page(desk: Desk):
    stepping_run(desk)
    found = desk.document("temperature", "--law", "line")
    assert found["coefficients"]["linear"] == pytest.approx(0.3, abs=0.01)
    assert [note for note in found["notes"] if "step of" in note] == [TAKEN_OFF]
    with Reader.open(desk.db) as reader:
        page = run_record(reader, reader.run(1))
    assert page.temperature is not None
    (on_page,) = page.temperature[1].coefficients[:1]
    assert on_page.value == pytest.approx(found["coefficients"]["linear"], abs=0.01)
    assert TAKEN_OFF in study(desk.db, 1, "temperature", "").said


def test_a_step_is_taken_off_ageing_and_fitness(desk: Desk):
    stepping_run(desk)
    found = desk.document("ageing")
    assert found["steps"] == [TAKEN_OFF]
    assert found["residual_ppm_rms"] < 0.1, "the step of 6 ppm would be left over"
    assert TAKEN_OFF in study(desk.db, 1, "ageing", "").said
    fitness = desk.run("fitness", "1", "--law-from", "1", "--range-c", "0", "40")
    assert TAKEN_OFF in " ".join(fitness.stderr.split())


def test_a_step_is_an_answer_where_something_was_done(desk: Desk):
    stepping_run(desk, answer="tapped")
    found = desk.document("response")
    assert found["steps"] == []
    (answer,) = found["responses"]
    assert answer["change_ppm"] > 5.0


def test_a_step_by_itself_is_no_answer(desk: Desk):
    stepping_run(desk)
    assert desk.document("response")["steps"] == [TAKEN_OFF]


@pytest.mark.parametrize("by", ["meter", "marks", "nothing"])
def test_a_supply_that_moved_is_warned_of(desk: Desk, by: str):
    with Writer.open(desk.db, VirtualClock()) as writer:
        run, segment = begin(writer)
        rng = seeded_generator(4)
        rows: list[Any] = []
        for n in range(200):
            ambient = 25.0 + 5.0 * np.sin(n / 10)
            volts = 3.3 if n < 100 else 2.8
            hertz = 8e6 * (1 + 1e-6 * (ambient - 25)) + float(rng.normal(0, 0.01))
            one = reading(n, frequency_hz=hertz, ambient_c=ambient)
            rows.append((run, segment, one))
            if by == "meter":
                volts = 99.0 if n == 50 else volts
                at = (one.utc_ns, one.mono_ns)
                said = Condition(*at, "supply", volts, "V", "meter")
                rows.append((run, segment, said))
            if by == "marks" and n in (0, 100):
                mark = Event(one.utc_ns, one.mono_ns, "mark", f"supply {volts} V")
                rows.append((run, segment, mark))
        writer.commit(rows)
    words = ("temperature", "--law", "line")
    notes = " ".join(desk.document(*words)["notes"])
    assert ("the supply moved, too: 2.80 to 3.30 V" in notes) == (by != "nothing")
    if by == "meter":
        assert "the supply moved" in desk.run(*words).stdout
        assert "the supply moved" in desk.run("fitness", "--law-from", "1").stderr


def test_temperature_of_a_narrow_span_says_that_it_cannot_tell(desk: Desk):
    desk.brought_in(swept(24.9, 25.1), "--part", PART, "--column", "2")
    found = desk.document("temperature")
    assert found["promise"] is None
    assert "the run spans only 0.20 C" in found["notes"][0]
    assert "not enough to say anything about" in desk.run("temperature").stdout


def test_ageing_json_has_both_laws_and_states_no_year_from_minutes(room: Desk):
    found = room.document("ageing", "1")
    assert {"law", "coefficients", "u", "r2", "other"} <= found.keys()
    assert {found["law"], found["other"]["law"]} == {"linear", "logarithmic"}
    assert [far["years"] for far in found["extrapolations"]] == [1, 10]
    for far in found["extrapolations"]:
        assert far["change_ppm"] is far["low_ppm"] is far["high_ppm"] is None
        assert "not stated: the data last 6 min 39 s" in far["why_not"]
    assert "nothing is extrapolated" in found["warning"]
    shown = room.run("ageing", "1").stdout
    # wherever the width of the terminal breaks the line
    assert "10 years ahead want 10 days and more" in " ".join(shown.split())


# --- pictures ------------------------------------------------------------------------


def title_drawn(room: Desk, command: str) -> str:
    """Draw a picture that says what it shows; return its title."""
    svg = str(room.folder / f"{command}.svg")
    done = room.run(command, "1", "--plot", svg)
    assert done.exit_code == 0, done.output
    drawn = ET.parse(svg).getroot()
    assert drawn.get("role") == "img"
    title, words = (drawn.findtext(f"{SVG}{name}") or "" for name in ("title", "desc"))
    assert "made elsewhere" in title, "the device is the file's name"
    assert any(letter.isdigit() for letter in words)
    return title


@pytest.mark.parametrize("command", ["temperature", "ageing"])
def test_pictures_say_what_they_show(room: Desk, command: str):
    assert title_drawn(room, command)


@pytest.mark.parametrize(
    "command",
    [
        "stability",
        # the same pen draws them
        pytest.param("temperature", marks=pytest.mark.campaign),
        pytest.param("ageing", marks=pytest.mark.campaign),
    ],
)
def test_pictures_open(room: Desk, command: str):
    title, png = title_drawn(room, command), str(room.folder / f"{command}.png")
    pdf = room.folder / f"{command}.pdf"
    for path in (png, str(pdf)):
        done = room.run(command, "1", "--plot", path)
        assert done.exit_code == 0, done.output
    assert pdf.read_bytes().startswith(b"%PDF-")
    pixels = imread(png)
    assert min(pixels.shape[:2]) > 400
    assert float(np.ptp(pixels[..., 0])) > 0.5, "something is drawn"
    assert title.encode() in Path(png).read_bytes()


@pytest.mark.campaign  # every suite: pages/test_strange_pictures.py
def test_the_same_data_give_the_same_file_of_each_type(room: Desk, tmp_path: Path):
    for name in ("a.svg", "b.svg", "a.pdf", "b.pdf"):
        assert room.run("stability", "--plot", str(tmp_path / name)).exit_code == 0
    for end in ("svg", "pdf"):
        one, two = ((tmp_path / f"{x}.{end}").read_bytes() for x in "ab")
        assert one == two
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")


def test_a_picture_that_cannot_be_written_is_one_sentence(room: Desk, tmp_path: Path):
    for command in ("stability", "temperature", "ageing"):
        assert ".svg, .png, .pdf" in room.said(command, "--plot", "x.gif", code=2)
    nowhere = str(tmp_path / "no" / "folder.svg")
    assert "name another file" in room.said("stability", "--plot", nowhere, code=2)
    nothing = str(tmp_path / "nothing.svg")
    said = room.said("stability", "--tau", "3h", "--plot", nothing)
    assert "nothing to draw" in said
    assert not Path(nothing).exists()


# --- too little, or too odd ----------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "command", "said"),
    [
        (0, "stability", "no readings"),
        (0, "temperature", "0 readings with known ambient"),
        (0, "ageing", "at least 5 values"),
        (1, "stability", "too few readings: 1"),
        (1, "temperature", "at least 8 are needed"),
        (2, "temperature", "at least 8 are needed"),
        (1, "ageing", "at least 5 values"),
        (2, "ageing", "at least 5 values"),
    ],
)
def test_too_few_readings_are_one_sentence(desk: Desk, count, command, said):
    desk.write(count)
    assert said in desk.said(command)


def test_two_readings_give_one_pair_and_empty_rows_elsewhere(desk: Desk):
    desk.write(2)
    (row,) = desk.document("stability")["rows"]
    assert row["n"] == 1
    assert row["low"] < row["value"] < row["high"]
    (row,) = desk.document("stability", "--kind", "hdev")["rows"]
    assert (row["n"], row["value"]) == (0, None)
    for kind in ("mdev", "totdev", "mtotdev", "htotdev", "mtie"):
        assert desk.document("stability", "--kind", kind)["rows"]


def test_constant_data_are_one_sentence(desk: Desk):
    desk.brought_in(["16000000.5"] * 50)
    assert "no scatter to describe" in desk.said("stability")
    assert "do not scatter" in desk.said("ageing")
    assert "known ambient" in desk.said("temperature")


def test_a_constant_room_has_no_law(desk: Desk):
    desk.brought_in(swept(25, 25), "--part", PART, "--column", "2")
    assert "too little for a law" in desk.said("temperature")


def test_gaps_are_counted_and_nothing_is_invented(desk: Desk):
    late = 20_000_000_000
    odd = {f"at_{n}": {"mono_ns": n * 1_000_000_000 + late} for n in range(50, 100)}
    odd["at_50"]["flags"] = Flag.GAP_BEFORE
    desk.write(100, **odd)
    found = desk.document("stability")
    assert found["missing"] == 20
    assert found["rows"][0]["n"] == 98  # 99 pairs, less the one across the gap
    assert "20 values are missing" in found["notes"][0]
    for kind in ("mdev", "hdev", "totdev", "mtie", "mtotdev"):
        found = desk.document("stability", "--kind", kind)
        assert "missing" in found["notes"][0]


def test_outliers_are_marked_and_left_out_only_when_asked(desk: Desk):
    desk.write(100, at_40={"frequency_hz": 8.001e6})
    kept = desk.document("stability")
    left = desk.document("stability", "--leave-out-outliers")
    assert kept["outliers_marked"] == left["outliers_marked"] == 1
    assert kept["rows"][0]["value"] > 10 * left["rows"][0]["value"]
    assert left["missing"] == 1
    assert "outliers: 1 marked, not left out" in desk.run("stability").stdout


def test_time_that_does_not_go_on_is_one_sentence(desk: Desk):
    desk.write(20, at_7={"mono_ns": 3_000_000_000})
    assert "time does not go on at reading 8" in desk.said("stability")


def test_laws_belong_to_one_device_and_one_axis_of_time(desk: Desk):
    desk.write(10)
    desk.brought_in(swept(20, 30), "--column", "2")
    assert "a law belongs to one device" in desk.said("temperature", "1", "2", code=2)
    for _ in range(2):
        plain = [f"{16e6 + n % 7:.1f}" for n in range(30)]
        desk.brought_in(plain, "--device", "KX", "--gate-s", "1")
    assert "no time stamps" in desk.said("ageing", "3", "4")
    twice = desk.document("ageing", "3", "3")
    assert twice["runs"] == [3], "the same run twice counts once"


@pytest.mark.parametrize("command", ["stability", "temperature", "ageing"])
def test_a_run_or_a_database_that_is_not_there(desk: Desk, room: Desk, command: str):
    assert "there is no database" in desk.said(command)
    assert "there is no run '99'" in room.said(command, "99", code=2)


def test_a_request_that_makes_no_sense(room: Desk):
    said = room.said("stability", "--kind", "mdev", "--estimator", "plain")
    assert "mdev has no plain estimator" in said
    for words in (("--tau", "x"), ("--tau", "-3"), ("--kind", "variance")):
        assert room.run("stability", *words).exit_code == 2


STRICTLY = """
import warnings
from benchlog.cli import main
warnings.simplefilter("error")
main()
"""


def test_as_a_process_with_every_warning_an_error(line: Line):
    """What numpy would say on standard error, nobody hears."""
    (line.folder / "one.txt").write_text("16000000.1\n")
    (line.folder / "some.txt").write_text(
        "\n".join(f"{16e6 + n % 5 * 0.1:.1f}" for n in range(40)) + "\n"
    )
    for name in ("one.txt", "some.txt"):
        words = ("import", name, "--nominal-hz", "16e6", "--gate-s", "1")
        assert line.run(*words).returncode == 0

    def strictly(*words: str) -> subprocess.CompletedProcess[str]:
        return run(
            [sys.executable, "-c", STRICTLY, *words],
            cwd=line.folder,
            env=line.environment(),
            capture_output=True,
            text=True,
        )

    few = strictly("stability", "1")
    assert (few.returncode, few.stdout) == (1, "")
    assert few.stderr == (
        "benchlog: too few readings: 1, and stability needs 2 or more\n"
    )
    whole = strictly("stability", "2", "--tau", "1s,5h", "--json")
    assert (whole.returncode, whole.stderr) == (0, "")
    assert [row["n"] for row in json.loads(whole.stdout)["rows"]] == [39, 0]
