"""The view `results`, for any SQLite tool, tells what the command tells."""

import json
import sqlite3
from contextlib import closing

from cli.conftest import Line
from cli.test_judged_as_other import WIDE, failed

READINGS = [16e6 + 100 + number % 3 for number in range(12)]
TIMED = "time,frequency\n" + "".join(
    f"2026-11-02T10:00:{number:02d}Z,{hz}\n" for number, hz in enumerate(READINGS)
)
PLAIN = "".join(f"{hz}\n" for hz in READINGS)


def by_command(line: Line) -> dict[str, tuple[str, str | None]]:
    rows = json.loads(line.run("results", "--json").stdout)
    return {row["device"]: (row["part"], row["started"]) for row in rows}


def by_view(line: Line) -> dict[str, tuple[str, str | None]]:
    with closing(sqlite3.connect(line.db)) as database:
        rows = database.execute("select device, part, started from results").fetchall()
    return {
        device: (part, None if began is None else f"{began[:23]}Z")
        for device, part, began in rows
    }


def brought(line: Line, device: str, text: str) -> None:
    (line.folder / f"{device}.csv").write_text(text)
    words = ("--device", device, "--part", "quartz-16mhz-30ppm")
    done = line.run("import", f"{device}.csv", *words)
    assert done.returncode == 0, done.stderr


def test_an_import_was_begun_when_its_readings_were(line: Line) -> None:
    """Before, the view had the moment of the import, the command none or the time."""
    brought(line, "timed", TIMED)
    brought(line, "plain", PLAIN)
    told = {"timed": "2026-11-02T10:00:00.000Z", "plain": None}
    assert {name: began for name, (_, began) in by_command(line).items()} == told
    assert by_view(line) == by_command(line)


def test_an_export_that_came_in_was_begun_when_its_run_was(line: Line) -> None:
    failed(line)
    assert line.run("export", "1", "--format", "csv", "--out", "x.csv").returncode == 0
    line.db.unlink()
    done = line.run("import", "x.csv")
    assert done.returncode == 0, done.stderr
    assert by_view(line) == by_command(line)
    ((_, began),) = by_view(line).values()
    assert began is not None and began.startswith("2030-")  # when `making` measures


def test_a_verdict_on_another_part_is_beside_that_part(line: Line) -> None:
    """Before, the view had a pass beside the part that the device had failed."""
    failed(line)
    assert line.run("judge", "1", "--part", WIDE).returncode == 0
    ((part, _),) = by_view(line).values()
    assert part == WIDE
    assert by_view(line) == by_command(line)
    with closing(sqlite3.connect(line.db)) as database:
        sql = "select part, judged_as, limit_ppm from runs_named"
        ((measured, judged, _),) = database.execute(sql).fetchall()
    assert (measured, judged) == ("quartz-16mhz", WIDE)


def test_what_was_measured_long_ago_is_not_found_as_of_today(line: Line) -> None:
    """Before, `--since 1d` had last year's readings, imported today, as new ones."""
    brought(line, "timed", TIMED.replace("2026-11", "2019-11"))
    assert line.run("export", "--dataset", "all").returncode == 0
    for words in ((), ("--dataset", "all")):
        for since, count in (("2019-11-01", 1), ("2019-12-01", 0), ("1d", 0)):
            told = line.run("runs", "--json", "--since", since, *words).stdout
            assert len(json.loads(told)) == count, (words, since)


def test_a_time_ago_that_is_ahead_is_none(line: Line) -> None:
    """Before, `-7d` was in a week, and no run was found."""
    brought(line, "plain", PLAIN)
    done = line.run("runs", "--since", "-7d")
    assert done.returncode == 2 and "is no moment" in done.stderr


def test_what_came_in_last_is_not_the_newest(line: Line) -> None:
    """Before, last year's file stood before this month's, once it was imported."""
    for text in (TIMED, TIMED.replace("2026-11", "2019-11"), PLAIN):
        brought(line, "D", text)
    ((_, began),) = by_command(line).values()
    assert began == "2026-11-02T10:00:00.000Z"
    assert by_view(line) == by_command(line)
    (device,) = json.loads(line.run("devices", "--json").stdout)
    assert (device["run"], sorted(device["runs"])) == (1, [1, 2, 3])
    assert json.loads(line.run("show", "D", "--json").stdout)["run"] == 1
