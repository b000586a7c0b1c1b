"""Records that stay true, as typed: correct, void, judge, backup, merge."""

import asyncio
import contextlib
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from cli.conftest import Line
from screen.keeper import StubDesk
from store.making import COUNTER, TIMEBASE, begin, plan, rows
from waiting import wait_for

from benchlog.clock import host_clock
from benchlog.model import ReferenceCheck, Timebase
from benchlog.pages.content import Notice
from benchlog.pages.page_builder import run_page
from benchlog.store import opening as migrate
from benchlog.store.reader import Reader
from benchlog.store.schema import steps as schema
from benchlog.store.writer import Writer

PART = "quartz-16mhz-30ppm"


@pytest.fixture(scope="module")
def as_measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with the run that is amended."""
    line = Line(tmp_path_factory.mktemp("measured"))
    rows = "".join(f"{k} {16_000_640 + k % 3}\n" for k in range(40))
    (line.folder / "made.txt").write_text(rows)
    words = ["import", "made.txt", "--part", PART, "--device", "KX-0417"]
    assert line.run(*words).returncode == 0
    return line.db


@pytest.fixture
def measured(line: Line, as_measured: Path) -> Line:
    shutil.copy(as_measured, line.db)
    return line


def shown(line: Line, *more: str) -> dict:
    return json.loads(line.run("show", "1", "--json", *more).stdout)


def test_a_new_verdict_stands_beside_the_old_one(measured: Line) -> None:
    before = shown(measured)
    assert before["verdict"] == "fail"
    words = ["judge", "1", "--part", "quartz-16mhz-50ppm", "--reason", "bought as such"]
    assert measured.run(*words).returncode in (0, 3, 4)
    after = shown(measured)
    assert after["part"] == "quartz-16mhz-50ppm"
    assert [one["limit_ppm"] for one in after["verdicts"]] == [30.0, 50.0]
    assert [one["verdict"] for one in after["verdicts"]] == ["fail", "pass"]
    said = measured.run("show", "1").stdout
    assert "verdicts kept" in said and "bought as such" in said


def test_a_mistyped_id_is_corrected_and_still_shown(measured: Line) -> None:
    words = ["correct", "1", "--device", "KX-0412", "--reason", "7 read for 2"]
    assert measured.run(*words).returncode == 0
    found = shown(measured)
    assert (found["device"], found["device_typed"]) == ("KX-0412", "KX-0417")
    (said,) = found["amendments"]
    assert (said["old"], said["new"]) == ("KX-0417", "KX-0412")
    text = measured.run("show", "1").stdout
    assert "said afterwards" in text and "7 read for 2" in text
    assert "typed as KX-0417" in measured.run("runs").stdout


def test_a_void_run_says_so_everywhere_and_counts_again_when_told(
    measured: Line,
) -> None:
    hostile = "probe \x1b[31mfell off"
    assert measured.run("void", "1", "--reason", hostile).returncode == 0
    assert "void" in measured.run("runs").stdout
    text = measured.run("show", "1").stdout
    assert "\x1b" not in text and "fell off" in text
    assert shown(measured)["void"]
    undone = measured.run("void", "1", "--restore", "--reason", "it had not")
    assert undone.returncode == 0, undone.stderr
    found = shown(measured)
    assert found["void"] is None
    assert [one["kind"] for one in found["amendments"]] == ["void", "restore"]


def test_what_is_backed_up_is_merged_once(measured: Line) -> None:
    assert measured.run("backup", "monday.db").returncode == 0
    assert measured.run("backup", "monday.db").returncode != 0  # nothing overwritten
    first = measured.run("merge", "monday.db", "--db", "all.db")
    assert "1 run brought in" in first.stderr
    again = measured.run("merge", "monday.db", "--db", "all.db")
    assert "1 here already" in again.stderr
    assert shown(measured, "--db", "all.db")["offset_ppm"] == pytest.approx(
        640.975 / 16
    )


def test_a_void_run_judged_again_or_compared_says_what_it_is(measured: Line) -> None:
    rows = "".join(f"{k} {16_000_100 + k % 3}\n" for k in range(40))
    (measured.folder / "more.txt").write_text(rows)
    measured.run("import", "more.txt", "--part", PART, "--device", "KX-0418")
    assert measured.run("void", "1", "--reason", "probe fell off").returncode == 0
    judged = measured.run("judge", "1", "--part", "quartz-16mhz-50ppm")
    assert "run 1 does not count: void (probe fell off)" in judged.stderr
    assert "--restore" in judged.stderr
    compared = measured.run("compare", "1", "2")
    assert "run 1 does not count: void (probe fell off)" in compared.stdout
    (said,) = document_of(measured, "compare", "1", "2")["differences"]
    assert any("void" in note for note in said["notes"])
    fit = measured.run("fitness", "1", "--need", "serial-x16")
    assert "run 1 does not count: void (probe fell off)" in fit.stderr
    listed = measured.run("runs")
    assert "void (probe fell off) (judged again" in listed.stdout
    assert "--limit" not in listed.stderr
    assert "the newest 1 are listed" in measured.run("runs", "--limit", "1").stderr


def document_of(line: Line, *words: str) -> dict:
    return json.loads(line.run(*words, "--json").stdout)


def test_an_export_altered_by_hand_is_told(measured: Line) -> None:
    measured.run("export", "1", "--out", "out.csv")
    out = measured.folder / "out.csv"
    out.write_text(out.read_text().replace(",16000641.0,", ",16000941.0,", 1))
    done = measured.run("import", "out.csv", "--db", "there.db")
    assert done.returncode == 0 and "changed after it was exported" in done.stderr
    refused = measured.run("import", "out.csv", "--db", "there.db")
    assert refused.returncode == 2 and "here already, as run 1" in refused.stderr
    forced = measured.run("import", "out.csv", "--db", "there.db", "--again")
    assert forced.returncode == 0
    stored = document_of(measured, "runs", "--db", "there.db")
    found = shown(measured, "--db", "there.db")["offset_ppm"]
    assert {one["offset_ppm"] for one in stored} == {found}


def test_a_backup_of_a_run_that_goes_on_says_so(measured: Line) -> None:
    with Writer.open(measured.db, host_clock()) as writer:
        writer.resume_run(1)
    done = measured.run("backup", "now.db")
    assert "run 1 had not ended" in done.stderr
    assert "broken off" in measured.run("runs", "--db", "now.db").stdout


def test_an_archive_of_an_older_version_is_read_and_left_as_it_is(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 1)
        older.setattr(schema, "STEPS", schema.STEPS[:1])
        with Writer.open(line.db, host_clock()) as writer:
            run, segment = begin(writer, "KX-0399")
            writer.commit(rows(run, segment, 20))
            writer.end_run(run, "stopped")
    before = line.db.read_bytes()
    done = line.run("runs", "--json")
    assert "of an older version; a copy brought up to date is read" in done.stderr
    assert json.loads(done.stdout)[0]["device"] == "KX-0399"
    assert line.run("show", "1", "--json").returncode in (0, 3, 4)
    assert line.db.read_bytes() == before


async def test_a_run_that_an_older_version_still_keeps_is_running(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as older:
        older.setattr(migrate, "NEWEST", 1)
        older.setattr(schema, "STEPS", schema.STEPS[:1])
        with Writer.open(line.db, host_clock()) as writer:
            run, segment = begin(writer, "KX-0399")
            writer.resume_run(run, control="keeper.sock")
            writer.commit(rows(run, segment, 20))
    states = []
    desk = StubDesk(line.folder / "keeper.sock")
    desk.runs = [run]
    try:
        for words in (("runs",), ("show", str(run))):
            done = await asyncio.to_thread(line.run, *words, "--json")
            found = json.loads(done.stdout)
            states.append((found[0] if words == ("runs",) else found)["state"])
    finally:
        desk.close()
    assert states == ["running", "running"]
    assert json.loads(line.run("runs", "--json").stdout)[0]["state"] == "broken off"


def test_the_latest_check_is_the_one_that_rules(line: Line) -> None:
    clock = host_clock()
    later_ns = clock.utc_ns() + 10**18
    with Writer.open(line.db, clock) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 20))
        writer.end_run(run, "stopped")
        for offset_ppm, u_ppm in ((0.25, 0.01), (0.5, 0.5)):
            check = ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=offset_ppm,
                u_ppm=u_ppm,
                method="frequency",
                at_utc_ns=clock.utc_ns(),
                valid_until_utc_ns=later_ns,
            )
            writer.add_reference_check(check)
    done = line.run("judge", "1", "--refcheck", "latest", "--json")
    assert "check 2 is not in use: check 1 agrees" in done.stderr
    assert json.loads(done.stdout)["timebase"]["offset_ppm"] == 0.25
    named = line.run("judge", "1", "--refcheck", "2", "--json")
    assert json.loads(named.stdout)["timebase"]["offset_ppm"] == 0.5


def test_a_run_says_everywhere_that_its_check_was_voided(line: Line) -> None:
    clock = host_clock()
    at_ns, until_ns = clock.utc_ns(), clock.utc_ns() + 10**18
    base = Timebase(
        status="checked",
        offset_ppm=0.9,
        u_ppm=0.001,
        valid_until_utc_ns=until_ns,
        text="checked 0.0 days before",
    )
    with Writer.open(line.db, clock) as writer:
        check, _ = begin(writer, "10 MHz")
        writer.end_run(check, "stopped")
        kept = ReferenceCheck(
            instrument=COUNTER,
            offset_ppm=0.9,
            u_ppm=0.001,
            method="frequency",
            at_utc_ns=at_ns,
            valid_until_utc_ns=until_ns,
            run_id=check,
        )
        writer.add_reference_check(kept)
        for timebase in (base, TIMEBASE):
            run = writer.begin_run(plan(), {"counter": COUNTER}, timebase)
            writer.commit(rows(run, writer.begin_segment(run), 20))
            writer.end_run(run, "stopped")
    before = json.loads(line.run("show", "2", "--json").stdout)
    assert before["timebase"]["doubt"] is None
    assert "in doubt" not in line.run("runs").stdout
    words = ["void", str(check), "--reason", "wired wrongly"]
    assert line.run(*words).returncode == 0
    after = json.loads(line.run("show", "2", "--json").stdout)
    said = "corrected by a check that has since been voided (wired wrongly); judge it"
    said += " again with `benchlog judge 2 --refcheck latest`"
    assert after["timebase"]["doubt"] == said and said in after["reasons"]
    assert after["offset_ppm"] == before["offset_ppm"]
    assert after["verdict"] == before["verdict"]
    assert "been voided" in line.run("show", "2").stdout
    assert "time base in doubt" in line.run("runs").stdout
    assert said in json.loads(line.run("runs", "--json").stdout)[1]["doubt"]
    compared = json.loads(line.run("compare", "2", "3", "--json").stdout)
    assert f"run 2: {said}" in compared["differences"][0]["notes"]
    with Reader.open(line.db) as reader:
        page = run_page(reader, [reader.run(2)], clock)
    shown = [block for section in page.sections for block in section.blocks]
    notices = [block.text for block in shown if isinstance(block, Notice)]
    doubt = "In doubt: corrected by a check that has since been voided (wired wrongly)"
    assert any(one.startswith(doubt) for one in notices)
    refused = line.run("judge", "2", "--refcheck", "1")
    assert refused.returncode == 2
    assert "reference check 1 is void (wired wrongly)" in refused.stderr
    again = line.run("judge", "2", "--refcheck", "latest", "--json")
    assert "check 1 is void, there is no other" in again.stderr
    document = json.loads(again.stdout)
    assert document["timebase"]["status"] == "assumed"
    assert "every check of it is void" in document["timebase"]["text"]
    assert document["timebase"]["doubt"] is None
    assert "in doubt" not in line.run("runs").stdout


def test_a_part_is_corrected_together_with_its_verdict(measured: Line) -> None:
    """Before, whoever was ended while it was judged left a pass of the other part."""
    words = ["correct", "1", "--part", "quartz-16mhz-50ppm", "--reason", "wrong bag"]
    with (
        contextlib.closing(sqlite3.connect(measured.db)) as seen,
        measured.started(*words) as program,
    ):
        wait_for(lambda: seen.execute("select 1 from amendments").fetchone())
        program.kill()
        program.wait(60)
    assert len(shown(measured)["verdicts"]) == 2
    (row,) = json.loads(measured.run("results", "--json").stdout)
    assert (row["part"], row["limit_ppm"]) == ("quartz-16mhz-50ppm", 50.0)


@pytest.mark.parametrize("more", [(), ("--device", "KX-8", "--lot", "L-9")])
def test_a_copy_gets_the_verdict_with_the_part_that_was_corrected(
    measured: Line, more: tuple[str, ...]
) -> None:
    """Before, its part was corrected by a merge, and its verdict was of the other.

    It still was where something else was corrected with the part.
    """
    other = ["--db", "copies.db"]
    assert measured.run("export", "1", "--out", "1.csv").returncode == 0
    assert measured.run("import", "1.csv", *other).returncode == 0
    words = ["correct", "1", "--part", "quartz-16mhz-50ppm", "--reason", "wrong bag"]
    assert measured.run(*words, *more).returncode == 0
    for _ in range(2):
        assert measured.run("merge", "test.db", *other).returncode == 0
        (row,) = json.loads(measured.run("results", "--json", *other).stdout)
        told = row["part"], row["verdict"], row["limit_ppm"]
        assert told == ("quartz-16mhz-50ppm", "pass", 50.0)
        assert len(shown(measured, *other)["verdicts"]) == 2


def test_a_run_that_grew_by_a_merge_is_judged_by_all_of_it(measured: Line) -> None:
    """Before, a verdict on fewer readings that was given later here was told of all."""
    assert measured.run("merge", "test.db", "--db", "all.db").returncode == 0
    with Writer.open(measured.folder / "test.db", host_clock()) as writer:
        writer.resume_run(1)
        writer.commit(rows(1, writer.begin_segment(1), 30, first=100))
        writer.end_run(1, "stopped")
    measured.run("judge", "1", "--db", "all.db")
    merged = measured.run("merge", "test.db", "--db", "all.db")
    assert "1 of them went on since" in merged.stderr
    (row,) = json.loads(measured.run("results", "--json", "--db", "all.db").stdout)
    assert row["readings"] == 70
    assert shown(measured, "--db", "all.db")["readings"] == 70
