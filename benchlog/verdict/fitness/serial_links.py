"""What serial links and CAN bits tolerate, and the divisors that make their rates.

All tolerances and errors are in ppm of the rate.
"""

import math
from dataclasses import dataclass

from benchlog.model import BitTiming, SerialLink, Use


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a source may do, in ppm: in all, and what is recommended.

    `other_end_ppm` is what the other end takes of what two ends share; None where
    nothing is shared.
    """

    ppm: float
    comfortable_ppm: float
    other_end_ppm: float | None


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


def allowance(use: Use, other_end_ppm: float | None) -> Allowance:
    """Return what a use leaves to this end of a link, and what is comfortable."""
    total, other = use.tolerance_ppm, 0.0
    if total is None and use.serial is not None:
        total = link_tolerance_ppm(use.serial)
    elif total is None and use.bits is not None:
        other = can_tolerance_ppm(use.bits)
        total = 2.0 * other
    assert total is not None, "a use has a tolerance or a formula"
    if not use.shared:
        return Allowance(total, use.comfortable_ppm or total, None)
    if other_end_ppm is not None:
        other = abs(other_end_ppm)
    left = max(0.0, total - other)
    return Allowance(left, min(left, use.comfortable_ppm or left), other)
