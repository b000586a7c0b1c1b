"""The text of `/metrics`, read by the reference parser: that of prometheus-client.

Names and units after OpenMetrics 1.0.0: a unit is the name's last word, base units.
"""

import json
import re

import pytest
from click.testing import CliRunner
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from screen.scenes import Scene, Stage

from benchlog.cli import root
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.metrics import followed_runs
from benchlog.metrics.exposition import metrics_text
from benchlog.metrics.files import text_of_file
from benchlog.metrics.followed_runs import FollowedRuns
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.units import NS_PER_S

HOSTILE = 'KX-"04\\12"} 1\n# EOF\n{x="\x1b[2J\u202e'
BASE_UNITS = {"ratio", "seconds", "celsius", "hertz"}
HOUR_NS = 3_600 * NS_PER_S


def parsed(stage: Stage, followed: FollowedRuns | None = None) -> dict:
    followed = followed or FollowedRuns(stage.database, stage.clock)
    text = metrics_text(followed.look(), followed.left_out).decode()
    families = list(text_string_to_metric_families(text))
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in families
        for sample in family.samples
    }


def value(found: dict, name: str, **labels: str) -> float:
    (one,) = (
        number
        for (known, have), number in found.items()
        if known == name and labels.items() <= dict(have).items()
    )
    return one


def test_figures_are_those_of_the_run_as_ratios(stage: Stage) -> None:
    run_id = stage.play(Scene(gaps_after=(12, 30)), end=False)
    stage.event(run_id, 50.0, "alarm", "offset above 5 ppm")
    stage.clock.now_utc_ns += 7 * NS_PER_S
    with Reader.open(stage.database) as reader:
        wanted = evaluate(reader, run_id).assessment
        newest = reader.columns_after(run_id)
    found = parsed(stage)
    who = {"device": "Q-0417", "position": "A", "run": str(run_id)}
    for name, ppm in (
        ("benchlog_offset_ratio", wanted.offset_ppm),
        ("benchlog_offset_uncertainty_ratio", wanted.u_ppm),
        ("benchlog_jitter_ratio", wanted.stats.jitter_ppm_rms),
        ("benchlog_limit_ratio", 30.0),
    ):
        assert value(found, name, **who) == pytest.approx(1e-6 * ppm, rel=1e-12)
    assert value(found, "benchlog_offset_ratio", **who) == pytest.approx(-9.25e-6, 0.01)
    assert value(found, "benchlog_frequency_hertz", **who) == newest.frequency_hz[-1]
    assert value(found, "benchlog_ambient_celsius", **who) == 24.8
    assert value(found, "benchlog_reading_age_seconds", **who) == pytest.approx(7.0)
    assert value(found, "benchlog_readings_total", **who) == 48
    assert value(found, "benchlog_gaps_total", **who) == 2
    assert value(found, "benchlog_alarms_total", **who) == 1
    verdicts = {
        word: value(found, "benchlog_verdict", benchlog_verdict=word, **who)
        for word in ("pass", "fail", "undecided")
    }
    assert verdicts == {"pass": 1, "fail": 0, "undecided": 0}
    uid = value(found, "benchlog_run_info", part="quartz-16mhz-30ppm", **who)
    assert uid == 1
    assert value(found, "benchlog_database_readable") == 1


def test_what_is_new_is_fed_once_and_a_run_ends(stage: Stage) -> None:
    scene = Scene()
    values = scene.values(48)
    run_id = stage.begin(scene)
    followed = FollowedRuns(stage.database, stage.clock)
    stage.clock.now_utc_ns += 9 * NS_PER_S
    first = parsed(stage, followed)
    assert value(first, "benchlog_reading_age_seconds") == pytest.approx(9.0)
    assert not [name for name, _ in first if name == "benchlog_offset_ratio"]
    for piece, seen in ((values[:20], 20), (values[20:], 48)):
        stage.readings(run_id, piece)
        found = parsed(stage, followed)
        assert value(found, "benchlog_readings_total") == seen
    stage.end(run_id, "verdict clear")
    found = parsed(stage, followed)
    assert value(found, "benchlog_run_state", benchlog_run_state="ended") == 1
    assert not [name for name, _ in found if name == "benchlog_reading_age_seconds"]
    with Reader.open(stage.database) as reader:
        wanted = evaluate(reader, run_id).assessment.offset_ppm
    assert value(found, "benchlog_offset_ratio") == pytest.approx(1e-6 * wanted)
    stage.clock.now_utc_ns += 2 * HOUR_NS
    assert not [name for name, _ in parsed(stage, followed) if "offset" in name]


def test_a_corrected_device_has_its_new_name_from_then_on(stage: Stage) -> None:
    run_id = stage.play(Scene(), end=False)
    followed = FollowedRuns(stage.database, stage.clock)
    assert value(parsed(stage, followed), "benchlog_gaps_total", device="Q-0417") == 0
    said = Amendment(kind="device", old="Q-0417", new="Q-0471", reason="misread")
    stage.writer.amend(run_id, said)
    assert value(parsed(stage, followed), "benchlog_gaps_total", device="Q-0471") == 0


def test_a_run_that_was_left_a_day_ago_is_told_no_more(stage: Stage) -> None:
    stage.play(Scene(), end=False)
    found = parsed(stage)
    assert value(found, "benchlog_run_state", benchlog_run_state="broken off") == 1
    stage.clock.now_utc_ns += 25 * HOUR_NS
    assert not [name for name, _ in parsed(stage) if name == "benchlog_run_state"]


def test_a_hostile_id_is_one_label_and_nothing_else(stage: Stage) -> None:
    stage.play(Scene(device=HOSTILE), end=False)
    followed = FollowedRuns(stage.database, stage.clock)
    text = metrics_text(followed.look()).decode()
    assert text.count("# EOF\n") == text.count("# EOF") - text.count("\\x0a# EOF")
    assert text.endswith("\n# EOF\n") and "\x1b" not in text and "\u202e" not in text
    names = {name for name, _ in parsed(stage)}
    stage.play(Scene(), end=False)
    assert {name for name, _ in parsed(stage)} == names
    devices = {dict(labels).get("device") for _, labels in parsed(stage)}
    assert 'KX-"04\\12"} 1\\x0a# EOF\\x0a{x="\\x1b[2J\\x202e' in devices


def test_a_damaged_run_harms_no_other(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    bad = stage.play(Scene(device="BAD"), end=False)
    stage.play(Scene(device="GOOD"), end=False)
    feed = followed_runs.RunEvaluator.feed

    def broken(self, batch):
        if self.run.id == bad:
            raise ValueError("a row that no formula foresees")
        return feed(self, batch)

    monkeypatch.setattr(followed_runs.RunEvaluator, "feed", broken)
    followed = FollowedRuns(stage.database, stage.clock)
    for _ in range(2):
        found = parsed(stage, followed)
        assert value(found, "benchlog_runs_left_out") == 1
        assert value(found, "benchlog_readings_total", device="GOOD") == 48


def test_names_end_with_their_base_unit(stage: Stage) -> None:
    stage.play(Scene(), end=False)
    followed = FollowedRuns(stage.database, stage.clock)
    text = metrics_text(followed.look()).decode()
    units = {f.name: f.unit for f in text_string_to_metric_families(text) if f.unit}
    assert set(units.values()) == BASE_UNITS
    assert all(name.endswith(f"_{unit}") for name, unit in units.items())


@pytest.mark.parametrize("which", ["dashboard", "alert-rules"])
def test_the_shipped_files_ask_for_what_is_served(stage: Stage, which: str) -> None:
    stage.play(Scene(), end=False)
    text = text_of_file(which)
    asked = set(re.findall(r"\b(benchlog_\w+)", text))
    found = parsed(stage)
    served = {name for name, _ in found} | {key for _, have in found for key, _ in have}
    assert asked and asked <= served, asked - served
    assert CliRunner().invoke(root, ["watch", "--print", which]).stdout == text


def test_each_panel_of_the_dashboard_has_its_place() -> None:
    board = json.loads(text_of_file("dashboard"))
    places = [panel["gridPos"] for panel in board["panels"]]
    cells = [
        (x, y)
        for at in places
        for x in range(at["x"], at["x"] + at["w"])
        for y in range(at["y"], at["y"] + at["h"])
    ]
    assert len(cells) == len(set(cells)) and max(x for x, _ in cells) < 24
    assert len({panel["id"] for panel in board["panels"]}) == len(places)
