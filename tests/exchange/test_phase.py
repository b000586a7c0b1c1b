"""Imported phase is kept as it was: in the database, in figures, out of an export."""

import gzip

import numpy as np
import pytest
from click.testing import CliRunner
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import DeviationRequest
from benchlog.analysis.stability.estimation import stability
from benchlog.cli.commands.export import command as export_command
from benchlog.clock import VirtualClock
from benchlog.errors import DataError, UsageError
from benchlog.evaluation.studies import series_of, stamps_of
from benchlog.exchange.export.run_export import export_phase, export_run
from benchlog.exchange.import_file import import_file
from benchlog.exchange.import_options import ImportOptions
from benchlog.model import Flag
from benchlog.store import opening
from benchlog.store.reader import Reader
from benchlog.store.schema import steps as schema
from benchlog.store.writer import Writer

S = 1_000_000_000
TAU_S = 1_024


def white_phase(n=4_097, rms_s=1e-12):
    """Phase with 1 ps of white noise on an offset of 2e-7, as a good comparator has."""
    rng = seeded_generator(1910)
    return 2e-7 * np.arange(n) + rms_s * rng.normal(size=n)


def lines_of(phase_s):
    return "".join(f"{x!r}\n" for x in phase_s.tolist())


def test_stability_is_that_of_the_phase_in_the_file(bring, reader):
    phase_s = white_phase()
    result, columns, _ = bring(
        lines_of(phase_s), nominal_hz=10e6, data="phase", gate_s=1.0
    )
    run = reader.run(result.run)
    found = series_of(reader, run)
    assert found.data == "phase"
    assert np.array_equal(found.values, phase_s)
    assert stamps_of(run, found) is None  # nobody stamped pulses
    wish = DeviationRequest(taus_s=(TAU_S,))
    direct = stability(Series(phase_s, 1.0, "phase"), "adev", wish).rows[0].value
    assert stability(found, "adev", wish).rows[0].value == direct
    # what was lost on the way through frequencies, which this test saw before
    y = columns.frequency_hz / 10e6 - 1.0
    through = stability(Series(y, 1.0), "adev", wish).rows[0].value
    assert abs(through / direct - 1.0) > 1e-5
    assert reader.count(run.id) == len(phase_s) - 1  # readings are there as before


def test_points_and_their_gaps_are_kept(bring, reader):
    text = "0 0\n1 1e-6\n2 x\n3 2.00e-6\n6 0\n7 1e-6\n"
    result, _, _ = bring(text, data="phase")
    found = reader.phases(result.run)
    assert found.mono_ns.tolist() == [0, S, 3 * S, 6 * S, 7 * S]
    assert found.phase_s.tolist() == [0.0, 1e-6, 2e-6, 0.0, 1e-6]
    gap = (found.flags & Flag.GAP_BEFORE) != 0
    assert gap.tolist() == [False, False, True, True, False]
    values = series_of(reader, reader.run(result.run)).values
    there = np.isfinite(values)
    assert there.tolist() == [True, True, False, True, False, False, True, True]


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet"])
def test_an_export_brings_phase_back_bit_for_bit(bring, reader, writer, tmp_path, kind):
    text = "t_s,x (ns)\n" + "".join(
        f"{i},{x!r}\n" for i, x in enumerate((1e9 * white_phase(300)).tolist())
    )
    result, _, _ = bring(text, data="phase")
    out = tmp_path / f"out.{kind}"
    export_run(reader, result.run, kind, out)
    again = import_file(out, writer, VirtualClock(), ImportOptions(again=True))
    assert again.rejected == 0
    assert again.readings == result.readings
    first, second = (reader.phases(one.run) for one in (result, again))
    assert first.phase_s.tobytes() == second.phase_s.tobytes()
    assert first.mono_ns.tolist() == second.mono_ns.tolist()
    one, two = (series_of(reader, reader.run(r.run)) for r in (result, again))
    assert one.values.tobytes() == two.values.tobytes()


@pytest.mark.parametrize("dated", [False, True])
def test_the_plain_file_of_phase_is_the_same_phase(
    bring, reader, writer, tmp_path, dated
):
    times = [f"{61_000 + i / 86_400:.9f}" if dated else str(i) for i in range(300)]
    columns = zip(times, white_phase(300).tolist(), strict=True)
    head = "mjd phase\n" if dated else "t_s phase\n"
    text = head + "".join(f"{t} {x!r}\n" for t, x in columns)
    result, _, _ = bring(text, data="phase")
    out = tmp_path / "phase.csv"
    assert export_phase(reader, result.run, out) == 300
    wish = ImportOptions(nominal_hz=16e6, data="phase")
    again = import_file(out, writer, VirtualClock(), wish)
    first, second = (reader.phases(one.run) for one in (result, again))
    assert first.phase_s.tobytes() == second.phase_s.tobytes()
    assert first.mono_ns.tolist() == second.mono_ns.tolist()


def test_a_run_without_phase_gives_none(bring, reader, writer, tmp_path):
    result, _, _ = bring("16000001\n16000002\n")
    assert len(reader.phases(result.run)) == 0
    out = tmp_path / "phase.csv"
    with pytest.raises(DataError, match="no phase"):
        export_phase(reader, result.run, out)
    assert not out.exists()
    with pytest.raises(UsageError, match="--out"):
        export_command.main(
            ["1", "--phase", "--db", str(writer.path)], standalone_mode=False
        )
    assert CliRunner().invoke(export_command, ["--help"]).output.count("--phase")


def test_a_file_of_schema_5_learns_phases(tmp_path, monkeypatch):
    path = tmp_path / "bench.db"
    with monkeypatch.context() as older:
        older.setattr(opening, "NEWEST", 5)
        older.setattr(schema, "STEPS", schema.STEPS[:5])
        Writer.open(path, VirtualClock()).close()
    text = tmp_path / "phase.txt.gz"
    text.write_bytes(gzip.compress(b"0\n1e-6\n3e-6\n"))
    with Writer.open(path, VirtualClock()) as writer, Reader.open(path) as reader:
        wish = ImportOptions(nominal_hz=1e7, data="phase")
        result = import_file(text, writer, VirtualClock(), wish)
        assert reader.phases(result.run).phase_s.tolist() == [0.0, 1e-6, 3e-6]
        assert reader.run(result.run).device == "phase"
