"""Serial links and CAN bits against the published tables and worked examples."""

import pytest
from verdict.published import rows

from benchlog.catalogue import find_uses, load_uses
from benchlog.model import BitTiming, SerialLink
from benchlog.verdict.fitness.serial_links import (
    can_tolerance_ppm,
    divisor_for,
    link_tolerance_ppm,
    rate_error_ppm,
    receiver_tolerance_ppm,
    serial_step_hz,
    without_repeats,
)

TOLERANCES = rows("uart_receiver_tolerance.csv")
BAUDS = rows("baud_error.csv")


@pytest.mark.parametrize(
    "row",
    TOLERANCES,
    ids=lambda r: f"x{r['samples_per_bit']}-{r['D_data_plus_parity']}",
)
def test_receiver_tolerance(row: dict[str, str]) -> None:
    """Data sheet of an 8-bit microcontroller, its table and its formulas."""
    bits = int(row["D_data_plus_parity"])
    link = SerialLink(9600, int(row["samples_per_bit"]), bits)
    slower, faster = receiver_tolerance_ppm(link)
    assert 100 - slower / 1e4 == pytest.approx(float(row["r_slow_percent"]), abs=5e-7)
    assert 100 + faster / 1e4 == pytest.approx(float(row["r_fast_percent"]), abs=5e-7)
    assert 100 - slower / 1e4 == pytest.approx(float(row["published_rslow"]), abs=0.006)
    assert 100 + faster / 1e4 == pytest.approx(float(row["published_rfast"]), abs=0.006)
    # a parity bit is one more bit, whatever it is called
    with_parity = SerialLink(9600, link.oversampling, bits - 1, parity=True)
    assert receiver_tolerance_ppm(with_parity) == (slower, faster)


def test_known_misprint_of_the_receivers_tolerance() -> None:
    """Every print seen shows -4.54 % for D = 8, x16; its own R_slow gives -4.64 %."""
    slower, _ = receiver_tolerance_ppm(SerialLink(9600))
    assert slower / 1e4 == pytest.approx(4.635762, abs=5e-7)
    assert slower / 1e4 != pytest.approx(4.54, abs=0.05)


def test_an_ideal_receiver_may_slip_half_a_bit_in_nine_and_a_half() -> None:
    """Derived: 0.5/9.5 = 5.263158 %; a start found to 1/16 bit leaves 4.605263 %."""
    slower, _ = receiver_tolerance_ppm(SerialLink(9600, 2_000_000))
    assert slower / 1e4 == pytest.approx(5.263158, abs=1e-4)
    found_to_a_sample = (0.5 - 1 / 16) / 9.5
    assert found_to_a_sample == pytest.approx(0.04605263)
    # a real receiver that votes over three samples lies below both
    assert link_tolerance_ppm(SerialLink(9600)) / 1e6 < found_to_a_sample


@pytest.mark.parametrize(
    "row", BAUDS, ids=lambda r: f"{r['f_osc_hz']}-x{r['oversampling']}-{r['baud']}"
)
def test_baud_errors(row: dict[str, str]) -> None:
    link = SerialLink(float(row["baud"]), int(row["oversampling"]))
    clock, step = float(row["f_osc_hz"]), serial_step_hz(link)
    divisor = divisor_for(clock, step)
    assert divisor - 1 == int(row["divider_register"])
    error = rate_error_ppm(clock, divisor, step) / 1e4
    assert error == pytest.approx(float(row["error_percent"]), abs=5.1e-7)
    if row["published_rounded_percent"]:
        printed = float(row["published_rounded_percent"])
        assert error == pytest.approx(printed, abs=0.1)


def test_the_baud_table_has_the_well_known_errors() -> None:
    """8 MHz: 9600 +0.1603 %, 57600 -3.5494 %, 115200 +8.5069 %; x8 -3.5494 %."""
    found = {
        (row["f_osc_hz"], row["oversampling"], row["baud"]): row["error_percent"]
        for row in BAUDS
    }
    for key, error in (
        (("8000000", "16", "9600"), 0.1603),
        (("8000000", "16", "57600"), -3.5494),
        (("8000000", "16", "115200"), 8.5069),
        (("8000000", "8", "115200"), -3.5494),
        (("16000000", "16", "115200"), -3.5494),
    ):
        assert float(found[key]) == pytest.approx(error, abs=5e-5)


def test_a_link_that_another_use_tries_is_not_repeated() -> None:
    kept = {use.id for use in without_repeats(load_uses())}
    assert {"serial-8n1-9600", "midi", "usb-full-speed", "lin-master"} <= kept
    assert not {"serial-x16-9600", "serial-x8-9600"} & kept
    alone = find_uses("serial-x16")
    assert without_repeats(alone) == list(alone)


def test_a_clock_too_slow_for_a_rate_is_divided_by_one() -> None:
    step = serial_step_hz(SerialLink(115_200))
    assert divisor_for(32_768, step) == 1
    assert rate_error_ppm(32_768, 1, step) < -980_000


def test_first_can_example() -> None:
    """A controller manual: 1 us, tq 0.1 us, PS1 = 1, PS2 = 2, SJW = 1: 0.39 %.

    0.1/(2 (13 - 0.2)) = 0.390625 %; the second bound, 0.5 %, is not reached.
    """
    bits = BitTiming(bit_rate=1e6, quanta=10, phase1=1, phase2=2, jump=1)
    assert can_tolerance_ppm(bits) == pytest.approx(3906.25, rel=1e-12)


def test_second_can_example() -> None:
    """100 kbit/s, PS1 = PS2 = SJW = 4 us: 1.587302 %, printed 1.58 (truncated)."""
    bits = BitTiming(bit_rate=100e3, quanta=10, phase1=4, phase2=4, jump=4)
    assert can_tolerance_ppm(bits) == pytest.approx(15873.02, abs=5e-3)


def test_another_manuals_variant_and_its_stray_figure() -> None:
    """PS2 = 1 tq: 0.387597 %, printed 0.38; the 1.58 % printed beside it is not it."""
    found = can_tolerance_ppm(
        BitTiming(bit_rate=1e6, quanta=10, phase1=1, phase2=1, jump=1)
    )
    assert found == pytest.approx(3875.97, abs=5e-3)


def test_the_jump_width_can_be_what_limits() -> None:
    """df <= SJW / (20 t_bit): 1 quantum of 10 is 0.5 %."""
    assert can_tolerance_ppm(
        BitTiming(bit_rate=1e6, quanta=10, phase1=4, phase2=4, jump=1)
    ) == pytest.approx(5000)
