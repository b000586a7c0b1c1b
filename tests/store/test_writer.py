"""Writing: durable, all or nothing, and nothing wrong gets in."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store.making import (
    COUNTER,
    PART,
    TIMEBASE,
    begin,
    clock_of,
    connection_of,
    plan,
    reading,
    rows,
)
from tiers import seldom

from benchlog.clock import VirtualClock
from benchlog.errors import StoreError, StoreRefusedError
from benchlog.model import (
    Condition,
    Edge,
    Event,
    EventKind,
    Flag,
    Identity,
    Kind,
    Limits,
    Part,
    Purpose,
    Reading,
    ReferenceCheck,
    Timebase,
)
from benchlog.store.logged_tables import CONDITIONS, EDGES, EVENTS, READINGS
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, Segment, VerdictRow
from benchlog.store.writer import Writer


def test_open_makes_folders_and_an_empty_run_list(tmp_path):
    path = tmp_path / "a" / "b ü?#%" / "bench.db"
    with Writer.open(path, VirtualClock()), Reader.open(path) as reader:
        assert path.exists()
        assert reader.runs() == []
        assert reader.latest_run() is None


def test_a_run_comes_back_as_it_was_begun(writer, reader):
    clock_of(writer).sleep(5)
    run_id = writer.begin_run(
        plan("D\x001 – é\U0001f600", lot="L7", operator="O. P.", note="n\n2"),
        {"counter": COUNTER},
        Timebase(
            status="checked",
            offset_ppm=0.01,
            u_ppm=0.002,
            valid_until_utc_ns=5,
            text="ref",
            degrees_of_freedom=7.5,
        ),
        control="/run/x.sock",
        resolution_hz=0.001,
    )
    run = reader.run(run_id)
    assert run.device == "D\x001 – é\U0001f600"
    assert (run.part, run.lot, run.operator, run.note) == (PART, "L7", "O. P.", "n\n2")
    assert (run.position, run.bench, run.divider) == ("A", "two-counters", 2.0)
    assert run.identities == {"counter": COUNTER}
    assert run.timebase == Timebase(
        status="checked",
        offset_ppm=0.01,
        u_ppm=0.002,
        valid_until_utc_ns=5,
        text="ref",
        degrees_of_freedom=7.5,
    )
    assert (run.control, run.resolution_hz) == ("/run/x.sock", 0.001)
    assert (run.open, run.simulated, run.readings) == (True, False, 0)
    assert run.started_utc_ns == clock_of(writer).utc_ns()
    assert run.snapshot["bench"]["instruments"]["room"]["options"] == {"value": 25.0}


def test_infinite_degrees_of_freedom_survive(writer, reader):
    run_id = writer.begin_run(plan(), {}, TIMEBASE)
    assert reader.run(run_id).timebase == TIMEBASE


def test_simulated_is_said_down_to_the_row(writer, reader):
    simulated = Identity("SIMULATED,c,1,1", "SIMULATED", "c", "1", "1", simulated=True)
    run_id = writer.begin_run(plan(), {"counter": simulated}, TIMEBASE)
    assert reader.run(run_id).simulated


def test_every_kind_of_row_comes_back(writer, reader):
    run, segment = begin(writer)
    event = Event(1, 2, EventKind.GARBLED, "half a line", "counter", b"\xff\x00 1.6")
    condition = Condition(3, 4, "voltage", 3.3, "V", "meter", Flag.SIMULATED, "+3.3")
    edge = Edge("gps", None, 5, 6, Flag.GAP_BEFORE)
    writer.commit([(run, segment, one) for one in (event, reading(1), condition, edge)])
    assert [found for _, found in reader.events(run)] == [event]
    assert [found for _, found in reader.conditions(run)] == [condition]
    assert [found for _, found in reader.edges(run)] == [edge]
    assert reader.count(run) == 1


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("frequency_hz", math.nan),
        ("frequency_hz", math.inf),
        ("frequency_hz", 0.0),
        ("frequency_hz", -8e6),
        ("frequency_hz", "fast"),
        ("frequency_hz", None),
        ("ambient_c", math.nan),
        ("ambient_c", -math.inf),
        ("ambient_c", "warm"),
        ("gate_s", math.nan),
        ("gate_s", -1.0),
        ("utc_ns", 2**63),
        ("mono_ns", -(2**63) - 1),
        ("mono_ns", None),
        ("mono_ns", 1.5),
        ("raw", "\udcff"),
    ],
)
def test_a_row_that_is_wrong_is_named_and_nothing_of_its_batch_stored(
    writer, reader, field, value
):
    run, segment = begin(writer)
    bad = (run, segment, reading(2, **{field: value}))
    batch = [*rows(run, segment, 2), bad, *rows(run, segment, 2, first=3)]
    with pytest.raises(StoreRefusedError, match=rf"row 3 of 5 \(reading\).*{field}"):
        writer.commit(batch)
    assert reader.count(run) == 0
    writer.commit(rows(run, segment, 2))
    assert reader.count(run) == 2


def test_nothing_that_is_no_number_gets_past_the_table_itself(writer):
    run, segment = begin(writer)
    for number in (math.inf, math.nan, 0.0, -1.0):
        with pytest.raises(Exception, match="constraint failed"):
            connection_of(writer).execute(
                "insert into readings (run_id, segment_id, mono_ns, gate_s,"
                " frequency_hz, flags) values (?, ?, 0, 1, ?, 0)",
                (run, segment, number),
            )


def test_a_condition_that_is_not_finite_is_refused(writer):
    run, segment = begin(writer)
    bad = Condition(1, 1, "voltage", math.nan, "V", "meter")
    with pytest.raises(StoreRefusedError, match=r"\(condition\).*value is nan"):
        writer.commit([(run, segment, bad)])


def test_a_row_of_no_run_is_refused(writer):
    with pytest.raises(StoreRefusedError, match="no such run"):
        writer.commit(rows(99, 99, 1))


def test_a_noun_that_is_no_row_is_refused(writer):
    run, segment = begin(writer)
    with pytest.raises(StoreRefusedError, match="Identity"):
        writer.commit([(run, segment, COUNTER)])


def test_words_of_an_event_never_keep_readings_out(writer, reader):
    run, segment = begin(writer)
    event = Event(1, 1, EventKind.NOTE, "caf\udce9", "c\udcff", b"caf\xe9")
    writer.commit([(run, segment, event), (run, segment, reading(1))])
    [(_, found)] = reader.events(run)
    assert (found.text, found.raw) == ("caf\\udce9", b"caf\xe9")
    assert reader.count(run) == 1


@pytest.mark.parametrize("field", ["device", "operator", "note", "lot", "position"])
def test_bytes_that_are_no_text_are_refused_by_name(writer, reader, field):
    with pytest.raises(StoreRefusedError, match="not UTF-8"):
        writer.begin_run(plan(**{field: "x\udcff"}), {}, TIMEBASE)
    assert reader.runs() == []


TEXT = st.text(st.characters(exclude_categories=["Cs"]))


@pytest.fixture(scope="module")
def of_texts(tmp_path_factory):
    path = tmp_path_factory.mktemp("text") / "bench.db"
    with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
        yield writer, reader


@pytest.mark.parametrize("examples", [15, seldom(60)])
def test_any_unicode_text_survives(of_texts, examples):
    @settings(max_examples=examples, deadline=None)
    @given(device=TEXT, note=TEXT, lot=st.none() | TEXT, raw=st.none() | TEXT)
    def of(device, note, lot, raw):
        writer, reader = of_texts
        run_id = writer.begin_run(plan(device, note=note, lot=lot), {}, TIMEBASE)
        segment = writer.begin_segment(run_id)
        writer.commit([(run_id, segment, reading(1, raw=raw))])
        run = reader.run(run_id)
        assert (run.device, run.note, run.lot) == (device, note, lot)
        assert reader.logged(READINGS, run_id).of("raw")[0] == raw
        newest, *others = reader.runs(device=device, lot=lot)
        assert newest.id == run_id
        # of other examples there are those of the same texts alone
        assert {one.device for one in others} <= {device}
        assert lot is None or {one.lot for one in others} <= {lot}

    of()


NOUNS = {
    READINGS: Reading(11, 12, 0.5, 8e6, 25.5, Flag.SUSPECT, "text"),
    EVENTS: Event(21, 22, EventKind.NOTE, "words", "counter", b"bytes"),
    CONDITIONS: Condition(31, 32, "supply", 3.3, "V", "dmm", Flag.SIMULATED, "text"),
    EDGES: Edge("counter", 41, 42, 43, Flag.NO_FIX),
}


def test_every_field_goes_into_the_column_of_its_name(writer, reader):
    run, segment = begin(writer)
    writer.commit([(run, segment, noun) for noun in NOUNS.values()])
    for table, noun in NOUNS.items():
        found = reader.logged(table, run)
        assert found.of("segment_id") == [segment]
        for name in table.noun_columns:
            assert found.of(name) == [getattr(noun, name)], (table.name, name)


def test_one_device_of_one_lot_is_one_row(writer):
    for lot in (None, None, "L1", "L1", "L2"):
        writer.begin_run(plan("D1", lot=lot), {"counter": COUNTER}, TIMEBASE)
    tables = ("devices", "lots", "parts", "instruments", "runs")
    counts = [
        connection_of(writer).execute(f"select count(*) from {name}").fetchone()[0]
        for name in tables
    ]
    assert counts == [3, 2, 1, 1, 5]


def test_a_changed_part_file_changes_no_old_run(writer, reader):
    old = writer.begin_run(plan(), {}, TIMEBASE)
    part = Part(
        id=PART.id,
        title="other",
        kind=Kind.RC,
        nominal_hz=8e6,
        limits=Limits(tolerance_ppm=10_000.0),
    )
    new = writer.begin_run(plan(part=part), {}, TIMEBASE)
    assert (reader.run(old).part, reader.run(new).part) == (PART, part)


def test_ending_and_resuming(writer, reader):
    run, _ = begin(writer)
    clock_of(writer).sleep(3)
    writer.end_run(run, "stopped")
    ended = reader.run(run)
    assert (ended.open, ended.ended_how) == (False, "stopped")
    assert ended.ended_utc_ns - ended.started_utc_ns == 3_000_000_000
    writer.resume_run(run, control="/new")
    assert (reader.run(run).open, reader.run(run).control) == (True, "/new")


def test_segments_carry_the_clock_or_what_an_export_says(writer, reader):
    run, first = begin(writer)
    second = writer.begin_segment(run, Segment(7, 5, -6, "other-boot"))
    now = clock_of(writer)
    assert reader.segments(run)[0].began_mono_ns == now.mono_ns()
    assert reader.segments(run)[1] == Segment(second, 5, -6, "other-boot")
    assert first < second


def test_the_newest_verdict_counts(writer, reader):
    run, _ = begin(writer)
    writer.add_verdict(run, VerdictRow(word="undecided"))
    figures = {"offset_ppm": 1.5, "ambient_c": None, "limit_ppm": math.inf}
    row = VerdictRow(
        word="pass",
        offset_ppm=1.5,
        u_ppm=0.2,
        limit_ppm=30.0,
        conformance=0.999,
        rule="guarded",
        figures=figures,
    )
    writer.add_verdict(run, row)
    found = reader.run(run)
    assert (found.verdict, found.offset_ppm, found.u_ppm) == ("pass", 1.5, 0.2)
    assert [one.word for one in reader.verdicts(run)] == ["undecided", "pass"]
    assert reader.verdicts(run)[1].figures == {**figures, "limit_ppm": "inf"}


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_verdict_of_no_number_is_refused(writer, number):
    run, _ = begin(writer)
    with pytest.raises(StoreRefusedError, match="offset_ppm"):
        writer.add_verdict(run, VerdictRow(word="pass", offset_ppm=number))


def test_reference_checks_of_an_instrument_are_found(writer, reader):
    run, _ = begin(writer)
    for at, until, ppm in ((10, 100, 1.0), (20, 50, 2.0), (60, 90, 3.0)):
        writer.add_reference_check(
            ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=ppm,
                u_ppm=0.01,
                method="pps",
                at_utc_ns=at,
                valid_until_utc_ns=until,
                run_id=run,
            )
        )
    found = reader.standing_checks("17")
    assert [one.offset_ppm for one in found] == [1.0, 2.0, 3.0]
    assert found[1].instrument.who == COUNTER.who
    assert reader.standing_checks("") == reader.standing_checks("18") == []
    assert reader.standing_checks("17", COUNTER.who) == found
    assert reader.standing_checks("17", ("another", "C", "17")) == []


def test_a_check_whose_run_is_void_holds_no_more(writer, reader):
    run, _ = begin(writer)
    writer.add_reference_check(
        ReferenceCheck(
            instrument=COUNTER,
            offset_ppm=7.0,
            u_ppm=9.0,
            method="pps",
            at_utc_ns=10,
            valid_until_utc_ns=100,
            run_id=run,
        )
    )
    assert reader.standing_checks("17")
    writer.amend(run, Amendment(kind="void", reason="pulse stamps too poor"))
    assert reader.standing_checks("17") == []
    assert len(reader.reference_checks("17")) == 1  # it stays in the record
    writer.amend(run, Amendment(kind="restore", reason="they were not"))
    assert reader.standing_checks("17")


def test_an_empty_commit_is_no_transaction(writer):
    writer.commit([])


def test_a_closed_writer_says_so(writer):
    run, segment = begin(writer)
    writer.close()
    writer.close()
    with pytest.raises(StoreError, match="closed"):
        writer.commit(rows(run, segment, 1))


def test_an_imported_run_remembers_where_it_came_from(writer, reader):
    run_id = writer.begin_run(
        plan(purpose=Purpose.IMPORT), {}, TIMEBASE, origin={"file": "x.csv"}
    )
    assert reader.run(run_id).snapshot["origin"] == {"file": "x.csv"}
