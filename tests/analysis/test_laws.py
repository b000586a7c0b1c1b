"""Temperature and ageing laws against published coefficients and examples."""

import math

import pytest

from benchlog.analysis.laws import (
    AT_CUT_PPM_PER_C_PER_MINUTE,
    ageing_ppm,
    kind_law,
    ppm_at,
)
from benchlog.model import Kind, TemperatureLaw


def at_cut(minutes: float) -> TemperatureLaw:
    """AT cut, A2 = -0.45e-9, A3 = 108.6e-12 (Gerber and Ballato 1985, p. 101)."""
    linear = minutes * AT_CUT_PPM_PER_C_PER_MINUTE
    return TemperatureLaw(
        law="cubic",
        reference_c=25.0,
        linear_ppm_per_c=linear,
        quadratic_ppm_per_c2=-0.45e-3,
        cubic_ppm_per_c3=108.6e-6,
    )


# Worked out from the coefficients of Gerber and Ballato, "Precision Frequency
# Control" vol. 2 (1985) p. 101 (secondary quotation).
@pytest.mark.parametrize(
    ("minutes", "at_minus_40", "at_0", "at_60", "at_85"),
    [
        (0.0, -31.725525, -1.978125, 4.104975, 21.8376),
        (1.7, -22.369858, 1.620208, -0.932692, 13.2016),
        (3.0, -15.215525, 4.371875, -4.785025, 6.5976),
    ],
)
def test_at_cut(minutes, at_minus_40, at_0, at_60, at_85):
    law = at_cut(minutes)
    found = [ppm_at(law, t) for t in (-40, 0, 60, 85)]
    assert found == pytest.approx([at_minus_40, at_0, at_60, at_85], abs=1e-6)


def test_the_usual_quartz_is_the_cut_of_1_7_minutes():
    usual = kind_law(Kind.QUARTZ)
    cut = at_cut(1.7)
    assert [ppm_at(usual, t) for t in (-40, 85)] == [ppm_at(cut, t) for t in (-40, 85)]


# Tuning fork, df/f = -k (T - T0)^2: a maker's data sheet works k = 0.030 at 45 C out
# as -12.0 ppm; another prints -49 ppm from -10 to 60 C, which is k = 0.040.
@pytest.mark.parametrize(
    ("k", "temperature_c", "ppm"),
    [(0.030, 45.0, -12.0), (0.040, -10.0, -49.0), (0.040, 60.0, -49.0)],
)
def test_tuning_fork(k, temperature_c, ppm):
    law = TemperatureLaw(law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-k)
    assert ppm_at(law, temperature_c) == pytest.approx(ppm)


def test_usual_tuning_fork_lies_inside_published_spread():
    k = -kind_law(Kind.TUNING_FORK).quadratic_ppm_per_c2
    assert 0.035 - 0.0086 <= k <= 0.035 + 0.0086  # data sheet: 0.035 +-0.0086


def test_rc_moves_20_khz_at_8_mhz_over_10_degrees():
    """Common practice, no source."""
    moved = ppm_at(kind_law(Kind.RC), 35.0) - ppm_at(kind_law(Kind.RC), 25.0)
    assert moved * 1e-6 * 8e6 == pytest.approx(20_000)


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_has_a_law_that_is_zero_at_its_reference(kind):
    law = kind_law(kind)
    assert ppm_at(law, law.reference_c) == 0.0


# MIL-PRF-55310, f(t) = A ln(B t + 1) + f0; worked out for A = 0.5 ppm, B = 0.3/day.
@pytest.mark.parametrize(
    ("days", "ppm"), [(1, 0.131182), (30, 1.151293), (365, 2.352508), (3650, 3.499711)]
)
def test_ageing(days, ppm):
    assert ageing_ppm(0.5, 0.3, days) == pytest.approx(ppm, abs=1e-6)


def test_ageing_starts_at_zero_and_refuses_time_before_the_start():
    assert ageing_ppm(0.5, 0.3, 0.0) == 0.0
    with pytest.raises(ValueError, match=r"math domain|expected"):
        ageing_ppm(0.5, 0.3, -10.0)
    assert math.isfinite(ageing_ppm(0.5, 0.3, 1e6))
