"""Units written out in heads, and temperatures that are none in C."""

import numpy as np
import pytest

from benchlog.units import as_stated

HZ = "16000001.5"


def times(head: str, step: float) -> str:
    return "\n".join([f"{head},freq", *(f"{i * step!r},{HZ}" for i in range(4))])


@pytest.mark.parametrize(
    ("head", "step"),
    [
        ("time [minutes]", 0.5),
        ("time (hours)", 1 / 64),
        ("elapsed days", 1 / 2048),
        ("time [msec]", 20_000.0),
        ("time (microseconds)", 20e6),
        ("time [\u03bcs]", 20e6),  # the Greek letter, as many programs write it
        ("time [sec]", 20.0),
    ],
)
def test_a_unit_of_time_that_is_written_out_is_that_unit(bring, head, step):
    """Before, these were seconds: phase over milliseconds was a thousandth of it."""
    usual_s = {"minutes": 30.0, "hours": 56.25, "days": 42.1875}
    _, columns, _ = bring(times(head, step))
    word = head.split()[-1].strip("[]()")
    assert columns.mono_ns[1] / 1e9 == pytest.approx(usual_s.get(word, 20.0))


@pytest.mark.parametrize(
    ("data", "unit", "worth"),
    [
        ("fractional", "[percent]", 1e-2),
        ("fractional", "(pct)", 1e-2),
        ("phase", "[usec]", 1e-6),
        ("phase", "(nanoseconds)", 1e-9),
    ],
)
def test_a_unit_of_data_that_is_written_out_is_that_unit(bring, data, unit, worth):
    rows = [f"{i},{i * 0.5}" for i in range(4)]
    result, _, _ = bring("\n".join([f"time,x {unit}", *rows]), data=data)
    assert f"multiplied by {as_stated(worth)} " in "\n".join(result.notes)


@pytest.mark.parametrize(
    ("head", "told"),
    [("time [ticks]", "column 1 is not known"), ("time", "")],
)
def test_a_unit_that_is_not_known_is_told(bring, head, told):
    result, _, _ = bring(times(head, 1.0))
    assert bool(told) == any("is not known" in said for said in result.notes)
    assert told in "\n".join(result.notes)


@pytest.mark.parametrize(
    "head",
    [
        "temp [degF]",
        "temp (Fahrenheit)",
        "ambient_kelvin",
        "temperature [K]",
        "attempt",
    ],
)
def test_what_is_no_temperature_in_c_is_not_ambient(bring, head):
    """Before, 77 F was 77 C, and the number of an attempt a temperature."""
    rows = [f"{i},{HZ},{70 + i}" for i in range(4)]
    result, columns, _ = bring("\n".join([f"time,freq,{head}", *rows]))
    assert np.isnan(columns.ambient_c).all()
    assert head == "attempt" or "ambient is not read" in "\n".join(result.notes)


def test_an_ambient_that_cannot_be_read_is_told(bring):
    """Before, `ambient in column 3` was said, and no reading had one."""
    rows = [f"{i},{HZ},60.0 warm" for i in range(4)]
    result, _, _ = bring("\n".join(["time,freq,ambient", *rows]))
    assert "ambient is not read" in "\n".join(result.notes)
