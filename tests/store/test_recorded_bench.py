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
    ReferenceSpec,
    Run,
    RunPlan,
    Timebase,
)
from benchlog.store.snapshot import freeze, thaw, to_plain

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


def test_what_the_run_was_begun_with_and_how_its_reference_was_wired() -> None:
    """Both are there although the run is judged by another part now; else missing."""
    reference = ReferenceSpec(counter="counter-1", nominal_hz=1e7, u_ppm=0.01)
    bench = {"reference": to_plain(reference)}
    part = {"id": "xo-12m", "nominal_hz": 1.2e7, "colour": "grey"}
    run = run_of({"bench": bench, "part": part})
    assert run.recorded_bench.reference == reference
    assert (run.begun_as.id, run.begun_as.nominal_hz) == ("xo-12m", 1.2e7)
    bare = run_of({"bench": {"reference": {}}, "part": None})
    assert bare.recorded_bench.reference is bare.begun_as.id is None


def test_a_snapshot_gives_back_what_it_was_made_of() -> None:
    bench = Bench(name="shelf", instruments={"counter-1": COUNTER}, positions=(PLACE,))
    plan = RunPlan(
        purpose=Purpose.SOAK,
        device="a",
        part=PART,
        position="left",
        bench=bench,
        lot="L",
        supply_v=3.3,
        max_s=60.0,
        software="benchlog 0",
    )
    base = Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.577)
    again = thaw(freeze(plan, {"counter-1": WHO}, base), Purpose.IMPORT)
    assert again.plan == replace(plan, purpose=Purpose.IMPORT)
    assert (again.identities, again.timebase) == ({"counter-1": WHO}, base)
