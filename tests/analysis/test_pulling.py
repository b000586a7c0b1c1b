"""Load pulling against a published problem and recomputed figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.load_pulling import (
    load_effect_first_order_ppm,
    load_effect_ppm,
    load_explaining_first_order_pf,
    load_explaining_pf,
    motional_l1_h,
    pull_first_order_ppm,
    pull_ppm,
    sensitivity_ppm_per_pf,
    series_load_pf,
    shunt_c0_pf,
)
from benchlog.catalogue import load_part
from benchlog.errors import DataError
from benchlog.units import hz_of_ppm

FS_HZ, FP_HZ, C1_FF = 9_996_490.0, 10_017_730.0, 27.1
"""A problem published in an electronics magazine: find C0. The figures that it must
give were recomputed; the printed answer was not seen."""


def test_published_problem_exactly() -> None:
    c0 = shunt_c0_pf(FS_HZ, FP_HZ, C1_FF)
    assert c0 == pytest.approx(6.370466, abs=5e-7)
    assert motional_l1_h(FS_HZ, C1_FF) == pytest.approx(9.353538e-3, abs=5e-10)


def test_published_problem_to_first_order() -> None:
    """C0 = C1 f_s / (2 (f_p - f_s)): 6.377233 pF."""
    first = C1_FF / 1000 * FS_HZ / (2 * (FP_HZ - FS_HZ))
    assert first == pytest.approx(6.377233, abs=5e-7)
    # with nothing but C0 as the load, the pull is the way from f_s to f_p
    assert pull_first_order_ppm(C1_FF, first - 1e-9, 1e-9) == pytest.approx(
        (FP_HZ - FS_HZ) / FS_HZ * 1e6, rel=1e-9
    )


@pytest.mark.parametrize(
    ("crystal", "first_ppm", "slope"),
    [
        ((12.0, 4.0, 18.0), 272.727273, -12.396694),  # recomputed
        ((3.0, 1.8, 12.5), 104.895105, -7.335322),  # recomputed
    ],
)
def test_pull_and_sensitivity(
    crystal: tuple[float, float, float], first_ppm: float, slope: float
) -> None:
    assert pull_first_order_ppm(*crystal) == pytest.approx(first_ppm, abs=5e-7)
    assert sensitivity_ppm_per_pf(*crystal) == pytest.approx(slope, abs=5e-7)


def test_exact_root_and_a_picofarad_more_and_less() -> None:
    """Recomputed: exact 272.690093 ppm; first order -11.857708 and +12.987013 ppm."""
    crystal = (12.0, 4.0, 18.0)
    assert pull_ppm(*crystal) == pytest.approx(272.690093, abs=5e-7)
    more = load_effect_first_order_ppm(*crystal, 19.0)
    less = load_effect_first_order_ppm(*crystal, 17.0)
    assert (more, less) == pytest.approx((-11.857708, 12.987013), abs=5e-7)
    assert load_effect_ppm(*crystal, 19.0) == pytest.approx(more, rel=1e-3)


def test_load_of_two_capacitors_to_ground() -> None:
    """CL = Ca Cb / (Ca + Cb) + stray: two of 22 pF and 4 pF of stray are 15 pF."""
    assert series_load_pf(22.0, 22.0, 4.0) == pytest.approx(15.0)


circuits = st.tuples(st.floats(1, 30), st.floats(0.8, 8), st.floats(6, 40))


@given(circuit=circuits, actual=st.floats(0.5, 200))
def test_the_load_that_explains_an_offset_is_the_load_that_made_it(
    circuit: tuple[float, float, float], actual: float
) -> None:
    offset = load_effect_ppm(*circuit, actual)
    assert load_explaining_pf(*circuit, offset) == pytest.approx(actual, rel=1e-6)
    assert (offset > 0) == (actual < circuit[2]) or offset == 0


@given(circuit=circuits, error_pf=st.floats(-0.1, 0.1))
def test_first_order_agrees_where_the_error_is_small(
    circuit: tuple[float, float, float], error_pf: float
) -> None:
    offset = load_effect_ppm(*circuit, circuit[2] + error_pf)
    first = load_explaining_first_order_pf(*circuit, offset)
    assert first - circuit[2] == pytest.approx(error_pf, rel=0.05, abs=1e-9)


@pytest.mark.parametrize("offset_ppm", [-300.0, 3000.0])
def test_what_no_load_can_explain_is_said(offset_ppm: float) -> None:
    """Below f_s, 272.69 ppm under f_L, nothing can pull; nor beyond CL = 0."""
    with pytest.raises(DataError, match="another cause"):
        load_explaining_pf(12.0, 4.0, 18.0, offset_ppm)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_capacitances_are_above_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        pull_ppm(12.0, 4.0, bad)
    with pytest.raises(ValueError, match="above zero"):
        series_load_pf(bad, 10.0)


def test_a_probe_on_the_crystal_pulls_it_by_as_much_as_its_tolerance() -> None:
    """Common practice, no source: never probe the crystal's own pins.

    A probe of 10 pF from one pin to ground, beside one of the two capacitors that make
    the load of 18 pF, adds 2.2 pF to it: some 25 ppm of a crystal sold with 30 ppm.
    """
    part = load_part("quartz-16mhz-30ppm")
    load = part.load
    assert load.load_pf and load.shunt_c0_pf and load.motional_c1_ff
    probed = series_load_pf(36.0, 36.0 + 10.0)
    assert probed - load.load_pf == pytest.approx(2.2, abs=0.01)
    crystal = (load.motional_c1_ff, load.shunt_c0_pf, load.load_pf)
    ppm = load_effect_ppm(*crystal, probed)
    assert -30 < ppm < -20
    assert -500 < hz_of_ppm(ppm, part.nominal_hz) < -300
