"""What `show`, `runs` and `report` tell of a run of a rack."""

import json

import pytest
from click.testing import CliRunner
from rack_scene import UID, write_rack

from benchlog.cli import root
from benchlog.cli.tasks.qualification_text import text
from benchlog.clock import VirtualClock
from benchlog.evaluation.rack_study import qualification_of
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    path = tmp_path_factory.mktemp("racks") / "q.db"
    write_rack(path, "temperature-five-points", devices=2)
    return path


def told(database, *words):
    done = CliRunner().invoke(root, [*words, "--db", str(database)])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_show_tells_the_characteristics_and_no_mean_of_all_places(database):
    said = told(database, "show", "1")
    assert "temperature-five-points: Frequency against temperature" in said
    assert "6 of 6 steps measured" in said
    assert "120 in 6 turns, 1 of them before the point had settled" in said
    assert "measured before it had settled: warm; what was still moving" in said
    lines = {line.split()[0]: line for line in said.splitlines() if line.strip()}
    assert "+-1.5 ppm" in lines["offset-at-reference"]
    assert " +0." in lines["offset-at-reference"]  # it may lie on either side
    assert " +" not in lines["temperature-slope"].replace("+-", "")
    assert "PASS" in lines["frequency-temperature"]
    # neither a mean over all temperatures nor its budget is a figure of the device
    assert "conformance" not in said and "combined" not in said
    # nor a drift or a slope, as a long run of one device has them
    assert "duration" not in said and "drift" not in said


def test_show_as_json_has_them_with_the_verdict_of_the_sequence(database):
    document = json.loads(told(database, "show", "2", "--json"))
    assert document["verdict"] == "pass" and document["qualification"] == UID
    assert (document["steps"], document["steps_done"]) == (6, 6)
    found = {one["name"]: one for one in document["characteristics"]}
    assert list(found) == [
        *("offset-at-reference", "frequency-temperature", "temperature-slope")
    ]
    # the scene's second device is 0.1 ppm fast at 25 C
    offset = found["offset-at-reference"]
    assert abs(offset["value"] - 0.1) <= offset["u"] and offset["limit"] == 1.5


def test_runs_lists_the_offset_at_reference(database):
    second, first = json.loads(told(database, "runs", "--json"))
    assert first["purpose"] == "qualify" and first["verdict"] == "pass"
    assert abs(first["offset_ppm"] - 0.3) < 0.005  # the scene's first device
    assert abs(second["offset_ppm"] - 0.1) < 0.005


def test_report_writes_a_page_of_the_device_or_of_the_rack(database, tmp_path):
    device, rack = tmp_path / "device.html", tmp_path / "rack.html"
    told(database, "report", "1", "--out", str(device))
    told(database, "report", "1", "--rack", "--out", str(rack))
    assert "Promised and found" in device.read_text()
    assert "VX-2" in rack.read_text() and "VX-2" not in device.read_text()


def test_a_page_of_a_rack_is_of_a_run_of_a_rack(database, tmp_path):
    words = ["report", "1", "2", "--rack", "--out", str(tmp_path / "x.html")]
    done = CliRunner().invoke(root, [*words, "--db", str(database)])
    assert done.exit_code == 2 and "name any one of its runs" in done.stderr


def test_results_has_the_figures_of_runs_and_not_the_mean_of_all_places(tmp_path):
    """It gave the mean over all temperatures, and `undecided` where runs had pass."""
    path = tmp_path / "q.db"
    first, _ = write_rack(path, "temperature-five-points", devices=2)
    of_all_places = VerdictRow(
        word="undecided", offset_ppm=0.9, u_ppm=1.2, limit_ppm=1.5, rule="kept"
    )
    with Writer.open(path, VirtualClock()) as writer:
        writer.add_verdict(first, of_all_places)
    runs = {one["run"]: one for one in json.loads(told(path, "runs", "--json"))}
    rows = {one["run"]: one for one in json.loads(told(path, "results", "--json"))}
    for name in ("offset_ppm", "u_ppm", "verdict", "readings"):
        assert rows[first][name] == runs[first][name], name
    assert rows[first]["verdict"] == "pass" and rows[first]["readings"] == 120


def test_a_rack_that_was_cut_short_is_undecided_everywhere(tmp_path):
    """Devices passed over temperature before the hottest step was measured."""
    path = tmp_path / "q.db"
    write_rack(path, "temperature-five-points", devices=2, steps=5)
    for listing in ("runs", "results"):
        listed = json.loads(told(path, listing, "--json"))
        assert [one["verdict"] for one in listed] == ["undecided"] * 2
    assert "not measured at 85 C" in told(path, "show", "1")


def test_the_closing_table_names_steps_that_had_not_settled(database):
    """`qualify` ended with PASS, and only `show` told of them."""
    with Reader.open(database) as reader:
        said = text(qualification_of(reader, 1))
    late = [line for line in said.splitlines() if "had settled" in line]
    assert len(late) == 2
    assert all(" was measured before it had settled: warm; what" in one for one in late)
    assert said.splitlines()[-1] == "2 devices: 2 pass"


STEP = """
[[step]]
name = "{name}"
temperature_c = {place}
power = "on"
gates = 20
"""
OFF = '\n[[step]]\nname = "off"\npower = "off"\nwait = "24h"\n'


@pytest.mark.parametrize("places", [(0, '"reference"', 50), (0, 50)])
def test_retrace_at_several_temperatures_says_of_which_it_is(
    tmp_path, monkeypatch, places
):
    """One figure came of three temperatures, and nothing told that it is of one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "configs/sequences").mkdir(parents=True)
    head = 'id = "three"\ntitle = "T"\nsource = "ours"\nfinds = ["retrace"]\n'
    before, after = (
        "".join(
            STEP.format(name=f"{when}-{k}", place=at) for k, at in enumerate(places)
        )
        for when in ("before", "after")
    )
    sequence = tmp_path / "configs/sequences/three.toml"
    sequence.write_text(f"[sequence]\n{head}{before}{OFF}{after}")
    write_rack(tmp_path / "q.db", "three", devices=1)
    said = " ".join(told(tmp_path / "q.db", "show", "1").split())
    if len(places) == 3:
        assert "PASS at 25 C; what changed at other places is not in it" in said
    else:
        assert "UNDECIDED retrace needs a step at reference conditions before" in said
