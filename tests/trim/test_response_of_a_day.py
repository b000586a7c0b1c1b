"""`benchlog response` on a kept run: a room that warms and cools, a supply turned.

The same from a bench, over real sockets: `test_response.py`, a campaign.
"""

import math

import pytest
from cli.test_studies import Desk
from seeds import seeded_generator
from store.making import begin, reading

from benchlog.clock import VirtualClock
from benchlog.model import Condition, Event, EventKind
from benchlog.store.rows import Row
from benchlog.store.writer import Writer

PER_C, PER_V, LAG_S = 2.5, -40.0, 4.0
WARMED_S, COOLED_S, TURNED_S, END_S = 100, 225, 350, 475
MARKS = {WARMED_S: "warming", COOLED_S: "cooling"}


def rows_of_a_day(run: int, segment: int) -> list[Row]:
    """A reading a second of 8 MHz; the supply is metered, and turned unmarked."""
    rng = seeded_generator(8)
    found: list[Row] = []
    for n in range(END_S):
        warm = 1 - math.exp(-(n - WARMED_S) / LAG_S) if n >= WARMED_S else 0.0
        if n >= COOLED_S:
            warm = math.exp(-(n - COOLED_S) / LAG_S)
        volts = 3.3 if n < TURNED_S else 2.0
        ppm = PER_C * 12.0 * warm + PER_V * (volts - 3.3) + float(rng.normal(0, 0.1))
        hertz = 8e6 * (1 + ppm * 1e-6)
        one = reading(n, frequency_hz=hertz, ambient_c=25.0 + 12.0 * warm)
        at = (one.utc_ns, one.mono_ns)
        found.append((run, segment, one))
        found.append((run, segment, Condition(*at, "supply", volts, "V", "meter")))
        if n in MARKS:
            mark = Event(*at, EventKind.MARK, MARKS[n])
            found.append((run, segment, mark))
    return found


def test_a_day_as_it_was_kept_names_every_response(tmp_path):
    desk = Desk(tmp_path)
    with Writer.open(desk.db, VirtualClock()) as writer:
        writer.commit(rows_of_a_day(*begin(writer)))
    found = desk.document("response")
    names = [phase["name"] for phase in found["phases"]]
    assert names == ["start", "warming", "cooling", "supply 2.00 V"]
    warming, cooling, supply = found["responses"]
    assert (warming["sign"], cooling["sign"], supply["sign"]) == ("up", "down", "up")
    for answer in (warming, cooling):
        assert answer["ppm_per_c"] == pytest.approx(PER_C, rel=0.02)
        # within 5 % of its way after ln 20 = 3.0 time constants (definition)
        assert answer["settle_s"] == pytest.approx(LAG_S * math.log(20), abs=4.0)
        assert answer["ppm_per_v"] is None
    assert supply["ppm_per_v"] == pytest.approx(PER_V, rel=0.02)
    assert supply["ppm_per_c"] is None
