"""From what was typed to run plans: pairing, lengths, gates, and their refusals."""

from dataclasses import replace
from pathlib import Path

import pytest

from benchlog import __version__
from benchlog.cli.tasks.planning import (
    MeasureRequest,
    pair,
    plans_of,
    with_gate,
)
from benchlog.errors import ConfigError, NotFoundError, UsageError
from benchlog.model import (
    Bench,
    InstrumentSpec,
    PositionSpec,
    Purpose,
)

ONE = """
[instruments.counter]
driver = "scpi-counter"
address = "TCPIP::127.0.0.1::5025::SOCKET"
gate_s = 1.0
[[position]]
name = "A"
frequency = "counter"
"""


@pytest.fixture
def request_(tmp_path: Path) -> MeasureRequest:
    path = tmp_path / "one.toml"
    path.write_text(ONE)
    return MeasureRequest(
        bench=str(path), part="quartz-16mhz-30ppm", devices=("KX-0412",)
    )


def test_without_a_length_it_ends_when_the_verdict_is_clear(
    request_: MeasureRequest,
) -> None:
    (plan,) = plans_of(request_)
    # design: "until the verdict is clear, at least 10 readings, at most 300 or 5 min"
    assert plan.until_clear
    assert (plan.min_readings, plan.max_readings, plan.max_s) == (10, 300, 300.0)


def test_a_plan_carries_what_was_typed(request_: MeasureRequest) -> None:
    typed = replace(
        request_, operator="M. Okwuosa", note="after reflow", lot="L7", supply_v=3.3
    )
    (plan,) = plans_of(replace(typed, load_pf=18.0))
    assert plan.purpose is Purpose.MEASURE
    assert (plan.device, plan.position) == ("KX-0412", "A")
    assert (plan.operator, plan.note, plan.lot) == ("M. Okwuosa", "after reflow", "L7")
    assert (plan.load_pf, plan.supply_v) == (18.0, 3.3)
    assert plan.software == f"benchlog {__version__}"


@pytest.mark.parametrize(
    ("length", "readings", "seconds"),
    [({"readings": 7}, 7, None), ({"for_s": 90.0}, None, 90.0)],
)
def test_a_length_bounds_nothing_else(
    request_: MeasureRequest, length: dict[str, float], readings: int, seconds: float
) -> None:
    (plan,) = plans_of(replace(request_, **length))  # type: ignore[arg-type]
    assert not plan.until_clear
    assert (plan.max_readings, plan.max_s) == (readings, seconds)


def test_both_lengths_are_refused(request_: MeasureRequest) -> None:
    with pytest.raises(UsageError, match="not both"):
        plans_of(replace(request_, readings=5, for_s=1.0))


def test_another_gate_reaches_the_counter(request_: MeasureRequest) -> None:
    (plan,) = plans_of(replace(request_, gate_s=0.1))
    assert plan.bench.instruments["counter"].options["gate_s"] == 0.1


def test_a_gate_beyond_the_drivers_bounds_is_refused(request_: MeasureRequest) -> None:
    with pytest.raises(ConfigError, match="--gate-s"):
        plans_of(replace(request_, gate_s=1e9))


def test_an_instrument_without_a_gate_takes_none() -> None:
    spec = InstrumentSpec(name="probe", driver="typed-in")
    bench = Bench(
        name="odd",
        instruments={"probe": spec},
        positions=(PositionSpec(name="A", frequency="probe"),),
    )
    with pytest.raises(UsageError, match="leave --gate-s out"):
        with_gate(bench, ("A",), 0.1)


def test_unknown_names_are_refused_with_near_ones(request_: MeasureRequest) -> None:
    with pytest.raises(NotFoundError, match="quartz-16mhz-30ppm"):
        plans_of(replace(request_, part="quartz-16mhz-30p"))
    with pytest.raises(NotFoundError, match="bench"):
        plans_of(replace(request_, bench="no-such-bench"))


TWIN = Bench(
    name="twin",
    instruments={},
    positions=(
        PositionSpec(name="A", frequency="c1"),
        PositionSpec(name="B", frequency="c2"),
    ),
)


def test_devices_and_positions_are_paired_in_order() -> None:
    assert pair(("d1", "d2"), ("B", "A"), TWIN) == {"B": "d1", "A": "d2"}


@pytest.mark.parametrize(
    ("devices", "positions", "said"),
    [
        ((), (), "--device"),
        (("d1",), (), "pair each"),
        (("d1", "d2"), ("A",), "2 devices and 1 positions"),
        (("d1",), ("C",), "no position 'C'; it has A, B"),
        (("d1", "d2"), ("A", "A"), "position 'A' was given twice"),
        (("d1", "d1"), ("A", "B"), "device 'd1' was given twice"),
    ],
)
def test_what_does_not_pair_is_refused(
    devices: tuple[str, ...], positions: tuple[str, ...], said: str
) -> None:
    with pytest.raises(UsageError, match=said):
        pair(devices, positions, TWIN)
