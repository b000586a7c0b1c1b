"""An import's verdict, of what was staged, is the one of the run that came of it."""

import dataclasses
from datetime import UTC, datetime, timedelta

import pytest
from seeds import seeded_generator
from store.making import PART

from benchlog.exchange.import_file import verdict_by_all

COUNT = 5_000
HOLE = range(900, 907)


def lines(columns: str) -> str:
    """Readings of a device in a room that warms; some texts are no float's own."""
    random = seeded_generator(len(columns))
    began = datetime(2026, 11, 25, 12, tzinfo=UTC)
    told = [columns]
    for second in range(COUNT + len(HOLE)):
        if second in HOLE:
            continue
        room_c = 20 + second / 500
        hertz = 16e6 * (1 + 1e-6 * (12 + 0.04 * (room_c - 25) + random.normal()))
        fields = {
            "utc": (began + timedelta(seconds=second)).isoformat(),
            "ambient_c": f"{room_c:.2f}",
            "frequency_hz": f"{hertz:.3f}" + ("0" * 9 if second % 10 == 0 else ""),
        }
        told.append(",".join(fields[name] for name in columns.split(",")))
    return "\n".join(told) + "\n"


@pytest.mark.parametrize(
    "columns", ["utc,frequency_hz,ambient_c", "frequency_hz,ambient_c", "frequency_hz"]
)
def test_it_is_the_same(bring, reader, columns):
    found, kept, _ = bring(lines(columns), part=PART)
    assert found.readings == len(kept) == COUNT and found.rejected == 0
    run = reader.run(found.run)
    again = verdict_by_all(reader, run)
    assert again is not None and run.verdict == again.word != ""
    assert (run.offset_ppm, run.u_ppm) == (again.offset_ppm, again.u_ppm)
    stored = reader.verdicts(found.run)[-1]
    assert dataclasses.replace(again, at_utc_ns=stored.at_utc_ns) == stored
