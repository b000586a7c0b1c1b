"""A run's recorded bench is read typed, and what an old snapshot lacks is missing."""

from dataclasses import replace

import pytest

from benchlog.model import (
    Bench,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    Run,
    RunPlan,
    Timebase,
)
from benchlog.store.snapshot import freeze

COUNTER = InstrumentSpec(
    name="counter-1",
    driver="scpi-counter",
    address="tcp://127.0.0.1:5025",
    options={"gate_s": 0.1},
    timebase_ppm=0.5,
    timebase_ageing_ppm_per_year=0.2,
)
PLACE = PositionSpec(name="left", frequency="counter-1", ambient="room", divider=2.0)
PART = Part(
    id="xo-10m",
    title="",
    kind=Kind("quartz"),
    nominal_hz=1e7,
    limits=Limits(tolerance_ppm=20.0),
)
WHO = Identity("invented counter", serial="17")


def run_of(snapshot: dict[str, object]) -> Run:
    """Return a run on the position `left` with that snapshot."""
    return Run(
        id=1,
        purpose=Purpose.MEASURE,
        device="a",
        part=PART,
        position="left",
        bench="shelf",
        nominal_hz=1e7,
        divider=2.0,
        simulated=False,
        started_utc_ns=0,
        ended_utc_ns=None,
        ended_how=None,
        snapshot=snapshot,
        identities={"counter-1": WHO},
    )


def test_what_was_frozen_is_read_back_typed() -> None:
    """The specs read from a snapshot equal those that the run was begun with."""
    bench = Bench(name="shelf", instruments={"counter-1": COUNTER}, positions=(PLACE,))
    plan = RunPlan(
        purpose=Purpose.MEASURE,
        device="a",
        part=PART,
        position="left",
        bench=bench,
        load_pf=8.0,
        supply_v=3,
    )
    run = run_of(
        freeze(
            plan,
            {"counter-1": WHO},
            Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.577),
        )
    )
    assert run.hook_up == PLACE
    assert run.counter_spec == COUNTER
    assert run.counter_identity == WHO
    assert (run.load_pf, run.supply_v, run.min_readings) == (8.0, 3, 10)
    assert (run.checks, run.max_s, run.until_clear) == (None, None, False)
    elsewhere = replace(run, position="right")
    assert elsewhere.hook_up is elsewhere.counter_spec is None
    assert elsewhere.counter_identity is None


@pytest.mark.parametrize(
    "bench",
    [
        None,
        "shelf",
        {},
        {"positions": None, "instruments": None},
        {"positions": ["left", {"frequency": "counter-1"}], "instruments": []},
    ],
)
def test_what_a_snapshot_lacks_is_missing(bench: object) -> None:
    """An old or damaged bench gives no position and no instrument, and no error."""
    run = run_of({} if bench is None else {"bench": bench, "supply_v": "3 V"})
    assert run.recorded_bench.instruments == {}
    assert run.hook_up is run.counter_spec is run.counter_identity is None
    assert run.supply_v is run.software is run.max_readings is None


def test_an_instrument_of_an_old_snapshot_has_defaults() -> None:
    """Fields that came later have their defaults; fields unknown today are ignored."""
    old = {
        "instruments": {"counter-1": {"options": None, "colour": "grey"}},
        "positions": [{"name": "left", "frequency": "counter-1", "shelf": 2}],
    }
    spec = run_of({"bench": old}).counter_spec
    assert spec == InstrumentSpec(name="counter-1", driver="")
