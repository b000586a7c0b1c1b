"""Pages of lots, reference checks and trims."""

from dataclasses import replace

import pytest
from pages.page_making import NS, fresh, parsed, said_by, series, words, write_run
from store.making import COUNTER, PART

from benchlog.cli.commands.chips import chips_of
from benchlog.cli.tasks.lot_text import text_of_lot
from benchlog.clock import VirtualClock
from benchlog.errors import NotFoundError, UsageError
from benchlog.evaluation.lot_plan import plan_document
from benchlog.evaluation.lots import existing_lot, lot_with_runs
from benchlog.model import (
    Event,
    EventKind,
    Lot,
    Purpose,
    ReferenceCheck,
)
from benchlog.pages.content import Ruling
from benchlog.pages.html import html_of
from benchlog.pages.lot_page import LotPage, lot_sections
from benchlog.pages.page_builder import check_page, lot_page, run_page
from benchlog.pages.pdf import pdf_of
from benchlog.pages.typesetting import in_print
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.verdict.lot.lot_text import lot_facts, lot_findings
from benchlog.verdict.lot.sampling_plan import custom_plan

OFFSETS = (1.5, -2.0, 44.0, 3.0, 0.5, 2.5)


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lot")
    with fresh(folder) as writer:
        plan = plan_document(custom_plan(90, 5, 1))
        writer.open_lot(
            Lot(
                lot="L<7>",
                part_id=PART.id,
                supplier="Invented & Sons",
                size=90,
                plan=plan,
            ),
            PART,
        )
        for number, ppm in enumerate(OFFSETS):
            run = write_run(
                writer,
                series(4, offset_ppm=ppm, seed=number),
                device=f"D{number}",
                purpose=Purpose.INSPECT,
                lot="L<7>",
            )
            word = "fail" if abs(ppm) > 30 else "pass"
            writer.add_verdict(
                run,
                VerdictRow(
                    word=word,
                    offset_ppm=ppm,
                    u_ppm=1.2,
                    limit_ppm=30.0,
                    conformance=0.99,
                    rule="rule",
                ),
            )
        writer.amend(1, Amendment(kind="void", reason="not hooked up"))
        for at, ppm in ((10, 0.031), (20, 0.035)):
            writer.add_reference_check(
                ReferenceCheck(
                    instrument=COUNTER,
                    offset_ppm=ppm,
                    u_ppm=0.004,
                    method="pulses",
                    at_utc_ns=at * NS,
                    valid_until_utc_ns=(at + 9) * NS,
                )
            )
        trimmed = write_run(writer, series(9), device="RC-1", purpose=Purpose.TRIM)
        told = [
            "code 80: -1,234.5 ppm",
            "code 81: +17.2 ppm",
            "code 81: +17.3 ppm",
            "best code 81 is set, for now: burn it yourself",
        ]
        with Reader.open(folder / "pages.db") as reader:
            (segment,) = reader.segments(trimmed)
        writer.commit(
            [(trimmed, segment.id, Event(NS, NS, EventKind.TRIM, t)) for t in told]
        )
    return folder / "pages.db"


@pytest.fixture
def reader(database):
    with Reader.open(database) as reader:
        yield reader


def ruling_of(report):
    blocks = next(lot_sections(LotPage(report, ()))).blocks
    return next(block for block in blocks if isinstance(block, Ruling))


def test_what_is_to_be_checked_again_is_told_beside_the_decision(reader):
    """An accepted lot of devices that were never exchanged is no good news."""
    report = lot_with_runs(reader, existing_lot(reader, "L<7>", None))[0]
    doubts = {one.run: "was it exchanged?" for one in report.results}
    quiet, told = (
        ruling_of(replace(report, results=report.results, base_doubts=doubted)).reasons
        for doubted in ({}, dict(list(doubts.items())[:2]))
    )
    # the one of 44 ppm does not belong to the rest; it is among the first two, too
    assert quiet[-1] == "1 device of 5 to be checked again: see Findings"
    assert told == (quiet[0], "2 devices of 5 to be checked again: see Findings")


def test_a_lots_decision_and_devices(reader):
    page = lot_page(reader, "L<7>", None, VirtualClock())
    tree = parsed(html_of(page))
    said = words(tree.find("body"))
    for text in (
        "LOT ACCEPTED",
        "4 passed, 1 failed, 0 undecided",
        "Invented & Sons",
        "1 defective (1 allowed)",
        "Defective",
        "Clopper",
        "5 devices between",
        "D2 3 +44.0 1.2 fail",
    ):
        assert text in said, text
    tables = {words(t.find("caption")): words(t) for t in tree.iter("table")}
    assert "D0" not in tables["Each device, in order of measurement"]
    assert "D0" in tables["Runs that do not count"]
    assert pdf_of(page).startswith(b"%PDF-")


def test_the_page_tells_what_the_terminal_tells(reader):
    lot = existing_lot(reader, "L<7>", None)
    report, _ = lot_with_runs(reader, lot)
    page = words(said_by(lot_page(reader, "L<7>", None, VirtualClock())))
    terminal = " ".join(text_of_lot(report).split())
    told = [*lot_facts(report), *lot_findings(report)]
    assert len(told) >= 5
    for _, text in told:
        assert in_print(" ".join(text.split())) in page, text
        assert text in terminal, text


def test_devices_beside_each_other_leave_out_void_runs(reader):
    chips, u_common_ppm = chips_of(reader, "L<7>")
    assert sorted(chip.device for chip in chips) == ["D1", "D2", "D3", "D4", "D5"]
    report, _ = lot_with_runs(reader, existing_lot(reader, "L<7>", None))
    assert u_common_ppm == report.u_common_ppm > 0


def test_a_lot_that_is_not_there(reader):
    with pytest.raises(NotFoundError, match="L<7>"):
        lot_page(reader, "L7", None, VirtualClock())


def test_two_lots_of_one_name_are_told_apart(tmp_path):
    other = replace(PART, id="another")
    with fresh(tmp_path) as writer:
        for part in (PART, other):
            plan = plan_document(custom_plan(90, 5, 1))
            writer.open_lot(
                Lot(lot="L7", part_id=part.id, supplier="", size=90, plan=plan), part
            )
    with Reader.open(tmp_path / "pages.db") as reader:
        with pytest.raises(UsageError, match="another"):
            lot_page(reader, "L7", None, VirtualClock())
        page = lot_page(reader, "L7", "another", VirtualClock())
        assert "LOT OPEN" in words(said_by(page).find("body"))


def test_a_reference_check_with_those_before_it(reader):
    tree = said_by(check_page(reader, 2, VirtualClock()))
    said = words(tree.find("body"))
    for text in (
        "+0.0350 ppm ± 0.0078 ppm (95 %); positive is fast",
        "The check has expired",
        "Checks of this instrument",
        "Serial number 17",
        "2 checks over",
    ):
        assert text in said, text
    with pytest.raises(NotFoundError, match="9"):
        check_page(reader, 9, VirtualClock())


def test_a_trims_curve(reader):
    (run,) = reader.runs(device="RC-1")
    tree = said_by(run_page(reader, [run], VirtualClock()))
    said = words(tree.find("body"))
    assert "code 81 comes closest with +17.3 ppm" in said
    assert "80 -1,234.5" in said


def test_a_lot_says_that_its_check_was_voided_since(tmp_path):
    from store.making import TIMEBASE

    found = ReferenceCheck(
        instrument=COUNTER,
        offset_ppm=0.3,
        u_ppm=0.01,
        method="pps",
        at_utc_ns=1_899_000_000 * NS,
        valid_until_utc_ns=2_000_000_000 * NS,
    )
    base = replace(
        TIMEBASE,
        status="checked",
        offset_ppm=found.offset_ppm,
        u_ppm=found.u_ppm,
        valid_until_utc_ns=found.valid_until_utc_ns,
    )
    with fresh(tmp_path) as writer:
        writer.open_lot(Lot(lot="V", part_id=PART.id, supplier="", size=9), PART)
        made = write_run(writer, series(4), device="TB", purpose=Purpose.REFCHECK)
        writer.add_reference_check(replace(found, run_id=made))
        for device in ("A", "B"):
            run = write_run(
                writer,
                series(4),
                device=device,
                purpose=Purpose.INSPECT,
                lot="V",
                timebase=base,
            )
            writer.add_verdict(
                run,
                VerdictRow(
                    word="pass",
                    offset_ppm=8.0,
                    u_ppm=0.1,
                    limit_ppm=30.0,
                    conformance=1.0,
                    rule="r",
                    figures={},
                ),
            )

        def page():
            with Reader.open(tmp_path / "pages.db") as reader:
                return words(said_by(lot_page(reader, "V", None, VirtualClock())))

        assert "since been voided" not in page()
        writer.amend(made, Amendment(kind="void", reason="not locked"))
        said = page()
    assert "2 of 2 devices: corrected by a check that has since been voided" in said
    assert "(not locked); judge it again with" in said
