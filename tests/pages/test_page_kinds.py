"""What pages of a soak, a trim, a reference check and of pulses say of their own."""

from dataclasses import replace

import pytest
from pages.page_making import NS, fresh, said_by, series, words, write_run
from pulse_scene import PulseScene
from store.making import BENCH, COUNTER, PART

from benchlog.clock import VirtualClock
from benchlog.model import (
    Event,
    EventKind,
    Flag,
    InstrumentSpec,
    PositionSpec,
    Purpose,
    Reading,
    ReferenceCheck,
    ReferenceSpec,
)
from benchlog.model.trims import BURNED, SET, TrimNote, trim_notes
from benchlog.pages.check_page import check_sections, now_of
from benchlog.pages.check_record import check_record
from benchlog.pages.method_notes import METHODS
from benchlog.pages.page_builder import check_page, run_page
from benchlog.pages.run_record import run_record
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment
from benchlog.units import format_u_ppm

TOLD = (
    "code 80: -1,234.5 ppm",
    "code 81: +17.2 ppm",
    "best code 81 is set, for now: +17.3 +- 4.1 ppm; burn it yourself",
)
PULSE = replace(PART, id="reference-1hz", nominal_hz=1.0)
REFERENCE = replace(
    BENCH,
    positions=(PositionSpec(name="A", frequency="counter"),),
    reference=ReferenceSpec(counter="counter", u_s=5e-8),
)


def pulses_per_second(count, time_base_ppm):
    """What a counter with this time base reads of a pulse per second."""
    for i in range(count):
        hertz = (1 - time_base_ppm * 1e-6) * (1 + 1e-9 * (-1) ** i)
        at = i * NS
        yield Reading(1_900_000_000 * NS + at, at, 1.0, hertz, None, Flag.SIMULATED)


def told(writer, path, run, texts):
    with Reader.open(path) as reader:
        (segment,) = reader.segments(run)
    events = [Event(NS, NS, EventKind.TRIM, text) for text in texts]
    writer.commit([(run, segment.id, event) for event in events])


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kinds")
    path = folder / "pages.db"
    with fresh(folder) as writer:
        soak = series(1_200, swing_c=1.0, gap_at=(300, 700))
        write_run(writer, soak, purpose=Purpose.SOAK)
        trim = write_run(writer, series(9), device="RC-1", purpose=Purpose.TRIM)
        told(writer, path, trim, TOLD)
        check = {"purpose": Purpose.REFCHECK, "bench": REFERENCE, "operator": "A. I."}
        write_run(writer, pulses_per_second(90, 0.3), part=PULSE, **check)
        writer.add_reference_check(
            ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=0.3,
                u_ppm=0.01,
                method="pulses",
                at_utc_ns=9 * NS,
                valid_until_utc_ns=90 * NS,
                run_id=3,
            )
        )
        scene = PulseScene(writer, VirtualClock())
        scene.begin()
        scene.end()
    with Reader.open(path) as reader:
        yield reader


def said_of(reader, run):
    return said_by(run_page(reader, [reader.run(run)], VirtualClock()))


def headings(tree):
    return [words(one) for one in tree.iter("h2")]


def test_a_soak_says_how_it_went(reader):
    tree = said_of(reader, 1)
    said = words(tree)
    assert headings(tree)[:2] == ["Verdict", "Events"]
    for text in (
        "2 gaps, ",
        "gaps shaded",
        "ppm/day (95 %:",
        "ppm/°C (95 %:",
        "Allan deviation",
        "line about 25 °C",
    ):
        assert text in said, text
    gaps = next(t for t in tree.iter("table") if words(t.find("caption")) == "Gaps")
    assert len(list(gaps.iter("tr"))) == 3


def test_a_trim_judges_no_mean_of_many_codes(reader):
    tree = said_of(reader, 2)
    said = words(tree)
    assert "Best code 81: +17.3 ± 4.1 ppm (95 %)" in said
    assert "within the tolerance of ±30 ppm" in said
    assert headings(tree)[1] == "Trim codes"
    for absent in ("PASS", "UNDECIDED", "FAIL", "Stability:", "Fitness for use"):
        assert absent not in said, absent


def test_a_code_that_was_burned_is_not_said_to_be_gone_at_the_next_reset(tmp_path):
    path = tmp_path / "pages.db"
    burned = TrimNote(what=BURNED, code=81).raw()
    with fresh(tmp_path) as writer:
        run = write_run(writer, series(9), device="RC-2", purpose=Purpose.TRIM)
        told(writer, path, run, TOLD)
        with Reader.open(path) as reader:
            (segment,) = reader.segments(run)
        event = Event(NS, NS, EventKind.TRIM, "code 81 is burned", raw=burned)
        writer.commit([(run, segment.id, event)])
    with Reader.open(path) as reader:
        said = words(said_of(reader, run))
    assert "code 81: burned" in said
    assert "until the next reset" not in said and "nothing was written" not in said


def test_a_code_that_was_burned_before_is_not_called_the_best(tmp_path):
    """Before, its page said "Best code 60" of a code that others are better than."""
    path = tmp_path / "pages.db"
    left = TrimNote(what=SET, code=60, offset_ppm=900.0, u_ppm=4.0, best=81)
    text = "code 60, not 81, is set, for now: +900 +- 4 ppm; it is not burned again"
    with fresh(tmp_path) as writer:
        run = write_run(writer, series(9), device="RC-3", purpose=Purpose.TRIM)
        told(writer, path, run, TOLD[:2])
        with Reader.open(path) as reader:
            (segment,) = reader.segments(run)
        event = Event(NS, NS, EventKind.TRIM, text, raw=left.raw())
        writer.commit([(run, segment.id, event)])
        assert trim_notes([event]) == [left]
    with Reader.open(path) as reader:
        said = words(said_of(reader, run))
    assert "Code 60: +900.0 ± 4.0 ppm (95 %)" in said
    assert "Best code" not in said


@pytest.fixture(scope="module")
def check_said(reader):
    return words(said_by(check_page(reader, 1, VirtualClock())))


def test_a_reference_check_shows_its_run(reader, check_said):
    for said in (check_said, words(said_of(reader, 3))):
        for text in (
            "+0.300",
            "Uncertainty budget of the time base",
            "stated u 5.0 × 10⁻⁸ s at either end",
            "A. I.",
            "M,<b>Counter</b>,17,1.0",
            "A reference that is known better",
        ):
            assert text in said, text
        assert "UNDECIDED" not in said and "Fitness for use" not in said


def test_a_page_says_of_a_check_what_the_command_said(reader, check_said):
    finding = check_record(reader, run_record(reader, reader.run(3))).finding
    page = check_said
    # as `refcheck` prints it: the interval of the drift as it is, and one U
    moved = finding.drift.u_ppm_per_h
    assert f"± {format_u_ppm(moved)} ppm an hour (95 %)" in page
    assert "+0.300 ppm ± 0.020 ppm (95 %); positive is fast" in page
    assert "u 0.010 ppm, which is U/2" in page
    assert f"k = {finding.budget.k:.2f}, 95 %" in page
    for absent in ("k = 2)", "Standard uncertainty", "corrected for the time base"):
        assert absent not in page, absent


def test_a_voided_check_says_so_wherever_it_stands(tmp_path):
    with fresh(tmp_path) as writer:
        for at, ppm in ((1, 0.3), (2, 0.9), (3, 0.9005)):
            run = write_run(writer, series(9))
            check = ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=ppm,
                u_ppm=0.001,
                method="pps",
                at_utc_ns=at * NS,
                valid_until_utc_ns=90 * NS,
                run_id=run,
            )
            writer.add_reference_check(check)
    with Reader.open(tmp_path / "pages.db") as reader:
        before = words(said_by(check_page(reader, 2, VirtualClock())))
    assert "In later budgets" in before and "void (" not in before
    with fresh(tmp_path) as writer:
        writer.amend(2, Amendment(kind="void", reason="wired <wrongly>"))
    with Reader.open(tmp_path / "pages.db") as reader:
        pages = [check_page(reader, n, VirtualClock()) for n in (2, 1)]
    its_own, other = said = [words(said_by(page)) for page in pages]
    assert "This check does not count: void (wired <wrongly>)" in its_own
    for page in (its_own, other):
        assert "void (wired <wrongly>); pps" in page
    for page in said:
        assert "2 checks over" in page and "Void, not counted: 1." in page
    for absent in ("In later budgets", "Holds until"):
        assert absent not in its_own and absent in other
    # what the void one had settled is open again
    assert "is contradicted by the one after it" in other
    assert "is contradicted by" not in before


def test_a_check_that_is_not_in_use_says_so(tmp_path):
    with fresh(tmp_path) as writer:
        for number, u_ppm in ((1, 0.001), (2, 1.0)):
            check = ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=0.3,
                u_ppm=u_ppm,
                method="pps",
                at_utc_ns=number * NS,
                valid_until_utc_ns=2 * 10**18,
            )
            writer.add_reference_check(check)
    with Reader.open(tmp_path / "pages.db") as reader:
        page = words(said_by(check_page(reader, 2, VirtualClock())))
    assert "Not in use: the check of" in page
    assert "In later budgets nothing, as it is not in use" in page


@pytest.mark.parametrize("apart_ppm", [None, 5.0])
def test_a_newer_check_is_named_only_where_there_is_one(apart_ppm):
    """Ageing makes the first one worse than what is stated; the second one is over."""
    day = 86_400 * NS
    spec = InstrumentSpec(
        name="counter",
        driver="scpi-counter",
        address="",
        options={},
        timebase_ppm=0.1,
        timebase_ageing_ppm_per_year=10.0,
    )
    first = ReferenceCheck(
        instrument=COUNTER,
        offset_ppm=0.0,
        u_ppm=0.3,
        method="pps",
        at_utc_ns=day,
        valid_until_utc_ns=400 * day,
    )
    second = replace(
        first,
        offset_ppm=apart_ppm or 0.0,
        at_utc_ns=2 * day,
        valid_until_utc_ns=3 * day,
    )
    checks = [first] if apart_ppm is None else [first, second]
    now = now_of(first, spec, checks, 300 * day)
    assert now.ruler is None and not now.stated
    told = repr(list(check_sections(first, list(enumerate(checks)), now, None)))
    assert ("a newer check contradicted it" in told) is (apart_ppm is not None)
    assert ("With its age" in told or "with its age added" in told) is (
        apart_ppm is None
    )


def test_pulses_are_drawn_against_their_line(reader):
    said = words(said_of(reader, 4))
    assert "Each pulse against the fitted line" in said
    assert "No counter measured this device" in said
    assert "about a straight line, against pulses of 'gps'" in said


def test_each_method_is_two_plain_paragraphs():
    for name, paragraphs in METHODS.items():
        assert len(paragraphs) == 2, name
        for text in paragraphs:
            assert 200 < len(text) < 900 and text.endswith("."), (name, len(text))
