"""A sequence worked out for a part: never beyond the narrowest bound."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import seldom

from benchlog.catalogue import load_part, load_sequence
from benchlog.errors import ConfigError
from benchlog.model import (
    Drive,
    DrivePlace,
    Load,
    Loop,
    OperatingRange,
    Sequence,
    Step,
    Target,
)
from benchlog.verdict.rack import durations
from benchlog.verdict.rack.bounds import Bound, DrivePlaces, bounds_of
from benchlog.verdict.rack.durations import ThermalModel, expected_steps
from benchlog.verdict.rack.planned_steps import planned_steps

PART = load_part("vctcxo-10mhz-1ppm")
CHAMBER = (Drive.TEMPERATURE, Bound(-45.0, 125.0, "the chamber"))


def planned(name: str, part=PART, *others: tuple[Drive, Bound]):
    sequence = load_sequence(name)
    bounds = bounds_of(part, sequence, (CHAMBER, *others))
    return planned_steps(sequence, part, bounds)


def test_five_temperatures_are_the_ends_the_middles_and_the_reference():
    set_c = [one.orders[0].value for one in planned("temperature-five-points")]
    assert set_c == [25.0, -40.0, -7.5, 25.0, 55.0, 85.0]


def test_what_is_not_set_stays_as_it_was():
    steps = planned("supply")
    assert steps[1].state == {Drive.TEMPERATURE: 25.0, Drive.SUPPLY: 2.97}
    assert [one.value for one in steps[1].orders] == [2.97]


def test_power_lasts_until_it_is_switched():
    assert [one.powered for one in planned("retrace")] == [True, False, True]


def test_a_chamber_that_goes_less_far_is_named():
    narrow = (Drive.TEMPERATURE, Bound(-20.0, 125.0, "setter oven"))
    with pytest.raises(ConfigError) as refused:
        planned("temperature-five-points", PART, narrow)
    (problem,) = refused.value.problems
    assert problem.key == "step 'coldest'"
    assert problem.found == "-40 C is outside setter oven: -20 to 125 C"


def test_a_place_that_nobody_states_is_named():
    with pytest.raises(ConfigError, match="stated neither by the part"):
        planned("supply", replace(PART, supply=None))


def test_places_of_a_setter_stand_in_for_a_part_without_any():
    sequence, part = load_sequence("supply"), replace(PART, supply=None)
    owner = Bound(2.7, 3.6, "setter psu")
    bounds = bounds_of(part, sequence, (CHAMBER, (Drive.SUPPLY, owner)))
    bench = {Drive.SUPPLY: DrivePlaces(2.97, 3.3, 3.63)}
    with pytest.raises(ConfigError, match=r"3\.63 V is outside setter psu"):
        planned_steps(sequence, part, bounds, bench)


def test_passes_of_a_loop_have_their_time():
    steps = planned("ageing")
    assert len(steps) == 721
    assert (steps[2].name, steps[2].not_before_s) == ("hour 2", 3600.0)
    expected = expected_steps(
        steps, load_sequence("ageing").settled, PART, ThermalModel(devices=32)
    )
    assert expected[-1].begin_s - expected[1].begin_s == pytest.approx(719 * 3600.0)


def test_a_body_behind_a_ramp_takes_its_time():
    """Checked against the differential equation, stepped in quarters of a second."""
    part = load_part("quartz-16mhz-30ppm")
    rule = load_sequence("temperature-five-points").settled
    sequence = load_sequence("temperature-five-points")
    steps = planned_steps(sequence, part, bounds_of(part, sequence, [CHAMBER]))
    model = ThermalModel(lag_s=240.0, rate_c_per_min=2.0, begin_c=25.0)
    cold = expected_steps(steps, rule, part, model)[1]
    body, chamber, t_s, dt_s, settled_s = 25.0, 25.0, 0.0, 0.25, 0.0
    # private: nobody but the test looks at it
    steep = durations._slope(part, -10.0)  # ppm/C of the device, where it is sent
    while t_s < cold.ramp_s + 3600:
        chamber = max(-10.0, chamber - 2.0 / 60 * dt_s)
        rate = (chamber - body) / model.lag_s
        body += rate * dt_s
        t_s += dt_s
        if abs(rate) * 60 * steep > rule.device_ppm_per_min:
            settled_s = t_s
    assert cold.ramp_s == pytest.approx(35 / 2 * 60)
    assert cold.settle_s == pytest.approx(settled_s - cold.ramp_s + 120, abs=2)


numbers = st.floats(-300, 300, allow_nan=False)
places = st.one_of(
    st.builds(DrivePlace, value=numbers),
    st.builds(
        DrivePlace,
        between=st.tuples(*[st.sampled_from(["low", "reference", "high"])] * 2),
        share=st.floats(0, 1),
    ),
)
steps_ = st.builds(
    Step,
    name=st.just("s"),
    targets=st.lists(st.builds(Target, st.sampled_from(Drive), places)).map(tuple),
)
loops = st.builds(
    Loop,
    times=st.integers(1, 3),
    steps=st.lists(steps_, min_size=1, max_size=3).map(tuple),
)
ends = st.tuples(numbers, numbers).map(lambda two: (min(two), max(two)))
sequences = st.builds(
    Sequence,
    id=st.just("s"),
    title=st.just("s"),
    source=st.just("s"),
    finds=st.just(()),
    steps=st.lists(st.one_of(steps_, loops), max_size=4).map(tuple),
    bounds=st.dictionaries(st.sampled_from(Drive), ends, max_size=4),
)


@pytest.mark.parametrize("examples", [25, seldom(100)])
def test_no_order_is_beyond_any_bound(examples):
    @settings(max_examples=examples, deadline=None)  # order_campaign.py draws 10,000
    @given(
        sequences,
        ends,
        st.one_of(st.none(), ends),
        st.lists(st.tuples(st.sampled_from(Drive), ends), max_size=4),
    )
    def of(sequence, range_c, supply, setters):
        part = replace(
            PART,
            limits=replace(PART.limits, range_c=range_c, reference_c=range_c[0]),
            supply=supply and OperatingRange(supply[0], supply),
            load=Load(),
        )
        others = [(drive, Bound(*two, "setter")) for drive, two in setters]
        try:
            planned = planned_steps(sequence, part, bounds_of(part, sequence, others))
        except ConfigError:
            return
        stated = [*sequence.bounds.items(), *setters, (Drive.TEMPERATURE, range_c)]
        stated += [(Drive.SUPPLY, supply)] if supply else []
        stated += [(Drive.CONTROL, PART.control.range_v)]
        for one in planned:
            for order in one.orders:
                mine = [two for drive, two in stated if drive is order.drive]
                assert mine
                assert all(low <= order.value <= high for low, high in mine)

    of()
