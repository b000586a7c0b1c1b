"""What serial links and CAN bits tolerate, and the divisors that make their rates.

All tolerances and errors are in ppm of the rate.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchlog.model import BitTiming, SerialLink, Use


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a source may do, in ppm: in all, and what is recommended.

    `link_ppm` is what two ends share, `other_end_ppm` what the other end takes of it;
    None where nothing is shared.
    """

    ppm: float
    comfortable_ppm: float
    other_end_ppm: float | None = None
    link_ppm: float | None = None


def receiver_tolerance_ppm(link: SerialLink) -> tuple[float, float]:
    """Return how much slower and faster than the receiver the sender may be.

    R_slow = (D + 1) S / (S - 1 + D S + S_F) and R_fast = (D + 2) S / ((D + 1) S + S_M)
    with S samples a bit, D data and parity bits, S_F = S/2 and S_M = S/2 + 1 the first
    and middle sample of the majority vote. Source: data sheet of an 8-bit
    microcontroller. It prints -4.54 % for D = 8, S = 16, where its formula gives -4.64.
    """
    s, d = link.oversampling, link.data_bits + link.parity
    first, middle = s // 2, s // 2 + 1
    slow = (d + 1) * s / (s - 1 + d * s + first)
    fast = (d + 2) * s / ((d + 1) * s + middle)
    return (1.0 - slow) * 1e6, (fast - 1.0) * 1e6


def link_tolerance_ppm(link: SerialLink) -> float:
    """Return what both ends together may differ by, whichever is the faster."""
    return min(receiver_tolerance_ppm(link))


def can_tolerance_ppm(bits: BitTiming) -> float:
    """Return the tolerance of each of two CAN nodes.

    The smaller of df <= min(PS1, PS2) / (2 (13 t_bit - PS2)) (a recessive bit sampled
    in an error flag 13 bits after synchronisation) and df <= SJW / (20 t_bit) (ten bits
    between edges). Source: Bosch CAN specification, as in controllers' manuals.
    """
    phase = min(bits.phase1, bits.phase2) / (2 * (13 * bits.quanta - bits.phase2))
    jump = bits.jump / (20 * bits.quanta)
    return min(phase, jump) * 1e6


def divisor_for(clock_hz: float, step_hz: float) -> int:
    """Return the whole divisor that brings a clock nearest to `step_hz`, at least 1.

    Firmware takes round(f / (S baud)); halves are rounded up.
    """
    return max(1, math.floor(clock_hz / step_hz + 0.5))


def rate_error_ppm(clock_hz: float, divisor: int, step_hz: float) -> float:
    """Return the error of clock / divisor against `step_hz`."""
    return (clock_hz / divisor / step_hz - 1.0) * 1e6


def serial_step_hz(link: SerialLink) -> float:
    """Return the frequency that a receiver samples with, S times the baud rate."""
    return link.baud * link.oversampling


def without_repeats(uses: Iterable[Use]) -> list[Use]:
    """Return the uses less those links that another one tries among several."""
    kept = list(uses)
    tried = {way.serial for use in kept for way in use.alternatives}
    tried |= {use.serial for use in kept if use.alternatives}
    return [use for use in kept if use.alternatives or use.serial not in tried - {None}]


def usual_way(use: Use, nominal_hz: float) -> Use:
    """Return the use at the oversampling that firmware would take at this frequency.

    It is the first that the use names (more samples tell noise from data) whose divisor
    alone keeps to what is recommended for an end; where none does, the one whose
    divisor takes the smallest share of what the link tolerates.
    """

    def error_ppm(way: Use) -> float:
        assert way.serial is not None
        step_hz = serial_step_hz(way.serial)
        divisor = divisor_for(nominal_hz, step_hz)
        return abs(rate_error_ppm(nominal_hz, divisor, step_hz))

    ways = (use, *use.alternatives)
    for way in ways:
        if error_ppm(way) <= allowance(way, None).comfortable_ppm:
            return way
    return min(ways, key=lambda way: error_ppm(way) / whole_tolerance_ppm(way))


def whole_tolerance_ppm(use: Use) -> float:
    """Return what a use allows: to one source, or to both ends where they share it."""
    if use.tolerance_ppm is not None:
        return use.tolerance_ppm
    if use.serial is not None:
        return link_tolerance_ppm(use.serial)
    assert use.bits is not None, "a use has a tolerance or a formula"
    return 2.0 * can_tolerance_ppm(use.bits)


def allowance(use: Use, other_end_ppm: float | None) -> Allowance:
    """Return what a use leaves to this end of a link, and what is comfortable.

    Unless it is stated, the other end keeps to what is recommended for each end (2.0 %
    at 16 samples a bit, 1.5 % at 8: the data sheet that has the formulas). Where none
    is recommended it takes half, as the CAN formula gives each node.
    """
    whole = whole_tolerance_ppm(use)
    if not use.shared:
        return Allowance(whole, use.comfortable_ppm or whole)
    other = use.comfortable_ppm or whole / 2.0
    if other_end_ppm is not None:
        other = abs(other_end_ppm)
    left = max(0.0, whole - other)
    return Allowance(left, min(left, use.comfortable_ppm or left), other, whole)
