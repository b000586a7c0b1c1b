"""Files made elsewhere: every layout a bench produces, and what is not understood."""

import math

import pytest
from ctrl_c import press_ctrl_c
from hypothesis import given, settings
from hypothesis import strategies as st
from store.making import PART, begin

from benchlog.cli.commands.import_ import UNITS as OFFERED
from benchlog.clock import VirtualClock
from benchlog.errors import DataError, UsageError
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import UNITS, ImportOptions
from benchlog.model import (
    EventKind,
    Flag,
    Purpose,
    Timebase,
)
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.verdict.run.judges import judge_for

S = 1_000_000_000
NOON_NS = 1_795_608_000 * S  # 2026-11-25 12:00:00 UTC


def test_one_number_a_line(bring, reader):
    result, columns, raw = bring("16000001.25\n16000001.5\n16000000.75\n", gate_s=0.5)
    assert columns.frequency_hz.tolist() == [16000001.25, 16000001.5, 16000000.75]
    assert columns.mono_ns.tolist() == [0, S // 2, S]
    assert columns.utc_ns.tolist() == [-1, -1, -1]
    assert columns.gate_s.tolist() == [0.5] * 3
    assert columns.flags.tolist() == [Flag.IMPORTED] * 3
    assert raw == {}
    run = reader.run(result.run)
    assert (run.purpose, run.device, run.open) == (
        Purpose.IMPORT,
        "made elsewhere",
        False,
    )
    assert (run.nominal_hz, run.timebase.status) == (16e6, "assumed")
    assert run.part.limits.tolerance_ppm == math.inf


def test_without_gate_and_time_a_second_is_assumed_and_said(bring):
    result, columns, _ = bring("16000001\n16000002\n")
    assert columns.mono_ns.tolist() == [0, S]
    assert any("1 s between readings assumed" in note for note in result.notes)


def test_gaps_are_marked_and_filled_with_nothing(bring):
    _, columns, _ = bring(
        "0 16000001\n1 16000002\n2 16000003\n5 16000004\n6 16000005\n"
    )
    assert columns.flags.tolist() == [32, 32, 32, 34, 32]
    assert columns.mono_ns.tolist() == [0, S, 2 * S, 5 * S, 6 * S]


@pytest.mark.parametrize("hole", ["nan", "NaN", "---", "inf", "-"])
def test_a_line_without_a_value_is_a_gap(bring, hole):
    result, columns, _ = bring(f"16000001\n16000002\n{hole}\n16000004\n", gate_s=1.0)
    assert columns.mono_ns.tolist() == [0, S, 3 * S]
    assert columns.flags.tolist() == [32, 32, 34]
    assert (result.rejected, result.problems[0].line) == (1, 3)


def test_what_was_not_understood_is_said_line_by_line(bring, reader):
    text = (
        "t,f\n0,16000001\n1,sixteen\n2\n3,-5\n2.5,16000002\n\x1b[31m,=1\n6,16000003\n"
    )
    result, columns, _ = bring(text)
    said = {one.line: one.reason for one in result.problems}
    assert list(said) == [3, 4, 5, 7] or list(said) == [3, 4, 5, 6, 7]
    assert said[3] == "not a number"
    assert said[4] == "1 of at least 2 columns"
    assert "above zero" in said[5]
    assert result.rejected == len(said)
    assert all("\x1b" not in str(one) for one in result.problems)
    events = [e for _, e in reader.events(result.run) if e.kind == EventKind.REJECTED]
    assert len(events) == len(said)
    assert events[-1].raw == b"\x1b[31m,=1"
    assert len(columns) == result.readings


def test_time_that_does_not_increase_is_refused(bring):
    result, columns, _ = bring(
        "".join(f"{t} {16e6 + t}\n" for t in [*range(30), 12, 29, 30, 31])
    )
    assert [one.line for one in result.problems] == [31, 32]
    assert columns.mono_ns[-2:].tolist() == [30 * S, 31 * S]
    assert columns.flags[-2:].tolist() == [34, 32]


def test_the_problems_are_bounded_and_counted(bring, reader):
    result, _, _ = bring("16000001\n" + "16000001\nnonsense\n" * 3000)
    assert (result.rejected, len(result.problems)) == (3000, 1000)
    texts = [event.text for _, event in reader.events(result.run)]
    assert texts[-1] == "2000 more lines were not understood"


def test_more_digits_than_a_float_has_stay_in_raw(bring):
    text = "16000001.000000000012\n16000001.5\n1.60000015e7\n"
    _, columns, raw = bring(text)
    first, _, third = columns.id.tolist()
    assert raw == {first: "16000001.000000000012", third: "1.60000015e7"}


def test_a_frequency_that_no_clock_has_is_refused_and_the_run_judged(bring, reader):
    result, columns, _ = bring("16000001\n100E153\n16000002\n", gate_s=1.0)
    assert columns.frequency_hz.tolist() == [16000001.0, 16000002.0]
    assert "clock can have" in result.problems[0].reason
    assert reader.run(result.run).verdict == "undecided"


@pytest.mark.parametrize(
    "text",
    ["10.0000002 MHz\n10000001.5 Hz\n10000.003 kHz\n", "10.0000002MHz\n10000001.5\n"],
)
def test_units_beside_the_numbers_count_and_mixed_ones_are_said(bring, text):
    result, columns, raw = bring(text, nominal_hz=10e6, gate_s=1.0)
    expected = [10000000.2, 10000001.5, 10000003.0][: result.readings]
    assert columns.frequency_hz.tolist() == pytest.approx(expected, rel=1e-15)
    assert any("units differ" in note and "mhz" in note for note in result.notes)
    assert raw[int(columns.id[0])].endswith("MHz")


def test_a_number_whose_unit_is_missing_is_refused(bring):
    text = "10.0000002 MHz\n10.0000003 MHz\n10.0000004\n10.0000005 MHz\n"
    result, _, _ = bring(text, nominal_hz=10e6, gate_s=1.0)
    assert (result.readings, result.rejected) == (3, 1)
    assert any("unit in column 2: mhz" in note for note in result.notes)


def test_the_spacing_is_the_usual_short_one_not_the_middle_one(bring):
    text = "".join(f"{t} {16e6 + t}\n" for t in (1, 2, 3, 6, 9))
    _, columns, _ = bring(text)
    assert columns.gate_s.tolist() == [1.0] * 5
    assert columns.flags.tolist() == [32, 32, 32, 34, 34]


def test_a_time_column_with_a_damaged_cell_is_still_one(bring):
    times = ("1", "2", "bad", "3", "4", "5", "6", "9")
    text = "".join(
        f"{t},{v}\n" for t, v in zip(times, range(16000001, 16000009), strict=True)
    )
    result, columns, _ = bring(text)
    assert (columns.mono_ns // S).tolist() == [1, 2, 3, 4, 5, 6, 9]
    assert result.rejected == 1


def test_an_hour_between_readings_is_no_gate(bring):
    text = "".join(f"2026-11-01T{h:02}:00:00Z 16000001\n" for h in range(5))
    result, _, _ = bring(text)
    assert any("unlikely" in n and "--gate-s" in n for n in result.notes)


def test_fractional_data(bring):
    # common practice, no source: 30 ppm of 16 MHz is 480 Hz; 148 Hz low is -9.25 ppm
    _, columns, raw = bring("3.0e-5\n-9.25e-6\n", data="fractional", gate_s=1.0)
    assert columns.frequency_hz.tolist() == pytest.approx([16000480.0, 15999852.0])
    assert list(raw.values()) == ["3.0e-5", "-9.25e-6"]
    _, columns, _ = bring("offset (ppm)\n30\n-9.25\n", data="fractional")
    assert columns.frequency_hz.tolist() == pytest.approx([16000480.0, 15999852.0])


def test_phase_data_become_mean_frequencies_over_each_interval(bring):
    # x grows by 1 us a second: y = 1e-6; then stands still; then falls 2 us in 1 s
    text = "0 0.0\n1 1e-6\n2 1e-6\n3 -1e-6\n"
    _, columns, raw = bring(text, data="phase")
    assert columns.frequency_hz.tolist() == pytest.approx([16e6 + 16, 16e6, 16e6 - 32])
    assert columns.mono_ns.tolist() == [S, 2 * S, 3 * S]
    assert list(raw.values()) == ["0.0 1e-6", "1e-6 1e-6", "1e-6 -1e-6"]


def test_no_frequency_is_derived_across_a_gap_of_phase(bring):
    text = "0 0\n1 1e-6\n2 2e-6\n6 0\n7 1e-6\n8 2e-6\n"
    result, columns, _ = bring(text, data="phase")
    assert columns.mono_ns.tolist() == [S, 2 * S, 7 * S, 8 * S]
    assert columns.flags.tolist() == [32, 32, 34, 32]
    assert columns.gate_s.tolist() == [1.0] * 4
    assert result.rejected == 0


def test_a_column_may_be_named(bring):
    text = "0 16000001 15999999\n1 16000002 15999998\n"
    _, columns, _ = bring(text, column=3)
    assert columns.frequency_hz.tolist() == [15999999.0, 15999998.0]
    with pytest.raises(DataError, match="column 9"):
        bring(text, column=9)


LOGGED = "Lauf;Hz;C\n0;16000001;25,1\n1;16000002;25,2\n4;16000003;25,2\n"


def test_a_column_that_rises_under_an_odd_head_is_no_time_until_a_person_says_so(
    bring,
):
    result, columns, _ = bring(LOGGED, gate_s=1.0)
    assert columns.mono_ns.tolist() == [0, S, 2 * S]
    assert any("'Lauf'" in note and "--time-column 1" in note for note in result.notes)
    said, columns, _ = bring(LOGGED, gate_s=1.0, time_column=1)
    assert columns.mono_ns.tolist() == [0, S, 4 * S]
    assert columns.flags.tolist()[-1] & Flag.GAP_BEFORE
    assert not any("--time-column" in note for note in said.notes)


def test_nominal_comes_from_the_part_where_nobody_says_it(bring, reader):
    result, _, _ = bring("16000001\n16000002\n", nominal_hz=None, part=PART)
    assert reader.run(result.run).nominal_hz == PART.nominal_hz


def test_numbers_far_from_nominal_are_said_and_not_judged(bring, reader):
    result, columns, _ = bring("16.000001\n16.000002\n", part=PART)
    assert any("1e-6 times nominal" in note for note in result.notes)
    assert any("--unit" in note for note in result.notes)
    assert columns.frequency_hz.tolist() == [16.000001, 16.000002]  # nothing is lost
    run = reader.run(result.run)
    assert run.verdict == "undecided"
    judge = judge_for(run)
    judge.feed(columns)
    assert "are they in MHz, not Hz?" in judge.assessment().reasons[0]


def test_the_unit_may_be_stated(bring):
    text = "time,freq\n0,16.000001\n1,16.000002\n"
    result, columns, _ = bring(text, unit="MHz")
    assert columns.frequency_hz.tolist() == pytest.approx([16_000_001, 16_000_002])
    assert any("unit MHz as stated" in note for note in result.notes)
    assert not any("times nominal" in note for note in result.notes)
    _, columns, _ = bring("freq (kHz)\n16000.001kHz\n16.000002\n", unit="MHz")
    assert columns.frequency_hz.tolist() == pytest.approx([16_000_001, 16_000_002])
    with pytest.raises(UsageError, match="none of Hz, kHz"):
        bring(text, unit="ppm")
    assert tuple(unit for units in UNITS.values() for unit in units) == OFFERED


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n\n",
        b"# only\n# comments\n",
        b"no numbers\nat all\n",
        b"\x89PNG\r\n\x1a\n\x00" * 50,
    ],
)
def test_a_file_without_readings_leaves_nothing_behind(bring, reader, content):
    with pytest.raises(DataError, match=r"made elsewhere\.txt"):
        bring(content)
    assert reader.runs() == []


def test_a_file_that_is_not_there(writer, tmp_path):
    with pytest.raises(DataError, match="No such file"):
        import_file(
            tmp_path / "none", writer, VirtualClock(), ImportOptions(nominal_hz=1.0)
        )
    with pytest.raises(DataError, match="cannot be read"):
        import_file(tmp_path, writer, VirtualClock(), ImportOptions(nominal_hz=1.0))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"nominal_hz": None}, "--nominal-hz"),
        ({"nominal_hz": -1.0}, "above zero"),
        ({"nominal_hz": math.nan}, "above zero"),
        ({"data": "speed"}, "frequency, fractional, phase"),
        ({"gate_s": 0.0}, "above zero"),
        ({"column": 0}, "count from 1"),
        ({"time_column": 0}, "count from 1"),
        ({"column": 1, "time_column": 1}, "not both"),
        ({"time_column": 3}, "no times"),
        ({"nominal_hz": 8e6, "part": PART}, "16 MHz"),
    ],
)
def test_options_that_do_not_fit(bring, reader, more, said):
    with pytest.raises(UsageError, match=said):
        bring("16000001\n", **more)
    assert reader.runs() == []


def test_what_a_person_says_of_the_run(bring, reader):
    timebase = Timebase(status="stated", offset_ppm=0.1, u_ppm=0.05)
    result, _, _ = bring(
        "16000001\n", device="D7", part=PART, lot="L1", operator="o", timebase=timebase
    )
    run = reader.run(result.run)
    assert (run.device, run.part, run.lot) == ("D7", PART, "L1")
    assert (run.operator, run.timebase) == ("o", timebase)


def test_progress_counts_bytes(writer, tmp_path):
    path = tmp_path / "many.txt"
    path.write_text("16000001.25\n" * 50_000)
    told = []
    import_file(
        path,
        writer,
        VirtualClock(),
        ImportOptions(nominal_hz=16e6),
        lambda *done: told.append(done),
    )
    done = [done for done, _ in told]
    assert done == sorted(done)
    assert min(done[0], done[1] - done[0]) > 2**18  # each block, with what is ahead
    assert done[-1] == 600_000
    assert {total for _, total in told} == {600_000}


def test_a_line_without_end_is_cut_and_refused(bring):
    result, columns, _ = bring("16000001\n" + "9" * 300_000 + "\n16000002\n")
    assert (len(columns), result.rejected) == (2, 1)


def test_an_import_beside_a_busy_keeper(tmp_path):
    from store.processes import program

    path, database = tmp_path / "f.txt", tmp_path / "bench.db"
    path.write_text("16000001.25\n" * 12_000)
    with program("acknowledge.py", database, "no", 1) as keeper:
        keeper.stdout.readline()
        with Writer.open(database, VirtualClock()) as writer:
            options = ImportOptions(nominal_hz=16e6)
            assert import_file(path, writer, VirtualClock(), options).readings == 12_000
        assert keeper.poll() is None


def test_an_import_that_is_stopped_leaves_nothing(writer, reader, tmp_path):
    path = tmp_path / "f.txt"
    path.write_text("16000001.25\n" * 50_000)

    def stop(done, total):
        press_ctrl_c()

    with pytest.raises(KeyboardInterrupt):
        import_file(path, writer, VirtualClock(), ImportOptions(nominal_hz=16e6), stop)
    assert reader.latest_run() is None
    assert reader.part_ids() == []
    assert [one.name for one in tmp_path.iterdir() if "import" in one.name] == []


LINES = st.lists(
    st.one_of(
        st.text(max_size=30),
        st.floats().map(str),
        st.tuples(st.floats(), st.floats()).map(lambda two: f"{two[0]},{two[1]}"),
        st.from_regex(r"[-+0-9.,;eE \t:TZ/]{0,30}", fullmatch=True),
        st.just("16000001.5"),
    ),
    min_size=1,
    max_size=30,
)


@settings(max_examples=250, deadline=None)
@given(
    lines=LINES,
    data=st.sampled_from(["frequency", "fractional", "phase"]),
    column=st.none() | st.integers(1, 4),
)
def test_no_file_brings_in_a_wrong_number_or_breaks(
    tmp_path_factory, lines, data, column
):
    folder = tmp_path_factory.getbasetemp() / "any"
    folder.mkdir(exist_ok=True)
    path = folder / "any.txt"
    path.write_text("\n".join(lines), encoding="utf-8", errors="surrogatepass")
    database = folder / "bench.db"
    options = ImportOptions(nominal_hz=16e6, data=data, column=column)
    with Writer.open(database, VirtualClock()) as writer:
        try:
            result = import_file(path, writer, VirtualClock(), options)
        except DataError as error:
            assert str(error)
            return
    with Reader.open(database) as reader:
        columns = reader.columns_after(result.run)
    assert len(columns) == result.readings
    assert (columns.frequency_hz > 0).all()
    assert (columns.frequency_hz < math.inf).all()
    assert (columns.mono_ns[1:] > columns.mono_ns[:-1]).all()


def test_begin_is_shared_with_measured_runs(writer, reader, bring):
    begin(writer, "D1")
    result, _, _ = bring("16000001\n", device="D1", part=PART)
    assert [run.id for run in reader.runs(device="D1")] == [result.run, 1]


def test_without_a_part_nothing_passes(bring, reader):
    from benchlog.verdict.run.judges import judge_for

    result, columns, _ = bring("16000001\n16000002\n16000001\n" * 10)
    judge = judge_for(reader.run(result.run))
    judge.feed(columns)
    assessment = judge.assessment()
    assert (assessment.word, assessment.conformance) == ("undecided", None)
    assert any("no limit is known" in reason for reason in assessment.reasons)
