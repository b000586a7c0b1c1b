"""Which gate and how long a counter and its reference need for a given limit.

A reading should be read to a tenth of the limit, so that a single one already tells,
and what it is read by should be known to a quarter of it (4:1); both common practice.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchlog.model import ReferenceSpec
from benchlog.units import format_duration
from benchlog.verdict.run.pulse_timing import ASSUMED_PULSE_S

LIMITS_PPM: Final = (30.0, 10.0, 1.0, 0.1)  # our rule: from coarse to fine parts
"""Limits that advice is given for when none is asked for."""
GATES_S: Final = (0.01, 0.1, 1.0, 10.0, 100.0)  # common practice, no source: decades
SHARE: Final = 10.0  # common practice, see above
TYPICAL_STAMP_S: Final = 1e-4
"""Scatter of stamps on a quiet computer; measured: tests/drivers/STAMPS.md."""
NETWORK_STAMP_S: Final = 3e-3
"""The same over `rfc2217://` where the far end looks every 10 ms; measured: there."""
FEWEST_READINGS: Final = 10  # our rule: fewer show no noise
_RATIO: Final = 4.0  # common practice, see above


@dataclass(frozen=True, slots=True)
class Advice:
    """What a limit asks for.

    `gate_s` is None when no gate will do; `fine_enough` is whether the time base is
    known well enough, None when that is not known.
    """

    limit_ppm: float
    gate_s: float | None
    fine_enough: bool | None

    @property
    def text(self) -> str:
        """Say it in a few words."""
        if self.gate_s is None:
            said = "too fine for this counter"
        else:
            said = format_duration(self.gate_s)
        coarse = ", time base too coarse" if self.fine_enough is False else ""
        return f"{self.limit_ppm:g} ppm: {said}{coarse}"


def advise(
    limit_ppm: float, step_ppm: float, gate_s: float, timebase_u_ppm: float | None
) -> Advice:
    """Return the shortest gate that reads a limit well enough.

    Parameters
    ----------
    step_ppm, gate_s : float
        What the counter's last digit is worth at the gate in use; at n times the gate
        it is worth an n-th, for a counter of either kind.
    timebase_u_ppm : float | None
        Standard uncertainty of the time base.

    """
    per_second = step_ppm * gate_s
    wanted = limit_ppm / SHARE
    gate = next((g for g in GATES_S if per_second / g <= wanted), None)
    fine = None
    if timebase_u_ppm is not None:
        fine = _RATIO * 2.0 * timebase_u_ppm <= limit_ppm
    return Advice(limit_ppm, gate, fine)


def stamp_s(*addresses: str) -> float:
    """Return the scatter of stamps to be expected at the worst of these addresses."""
    far = any(one.startswith("rfc2217://") for one in addresses)
    return NETWORK_STAMP_S if far else TYPICAL_STAMP_S


def refcheck_advice(
    limit_ppm: float,
    reference: ReferenceSpec,
    gate_s: float = 1.0,
    stamp_s: float = TYPICAL_STAMP_S,
) -> str:
    """Say how long a reference check must be for a limit, as `1 ppm: 46 s`.

    Until U of the time base is a quarter of the limit: by what the reference itself is
    uncertain by at either end and, where this computer compares pulses, by stamps of
    `stamp_s` rms.
    """
    least_s = FEWEST_READINGS * max(gate_s, 1.0)
    if reference.u_ppm is not None:
        fine = _RATIO * 2.0 * reference.u_ppm <= limit_ppm
        said = format_duration(least_s) if fine else "reference too coarse"
        return f"{limit_ppm:g} ppm: {said}"
    u_s = reference.u_s if reference.u_s is not None else ASSUMED_PULSE_S
    time_s = max(least_s, 2.0 * _RATIO * math.sqrt(2.0) * u_s * 1e6 / limit_ppm)
    if reference.pulses is not None:
        time_s = max(time_s, pulse_time_s(limit_ppm, stamp_s))
    return f"{limit_ppm:g} ppm: {format_duration(math.ceil(time_s))}"


def pulse_time_s(limit_ppm: float, jitter_s: float, spacing_s: float = 1.0) -> float:
    """Return how long two pulse trains must be compared for a limit.

    Until U is a quarter of the limit, by the slope of two trains of white stamps of
    this rms: u = sqrt(2) sigma sqrt(12 d) / T^1.5, d the spacing.
    """
    wanted = limit_ppm * 1e-6 / _RATIO
    u_at_1_s = math.sqrt(2.0) * jitter_s * math.sqrt(12.0 * spacing_s)
    return float((2.0 * u_at_1_s / wanted) ** (2.0 / 3.0))
