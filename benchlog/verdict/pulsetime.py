"""What is known of the time that pulses are held against: a reference, or the host."""

import math
from typing import Final

from benchlog.model import Bench, PositionSpec, Timebase

ASSUMED_PULSE_S: Final = 1e-6
"""Standard uncertainty of a reference's pulse that nobody states one for: ten times
what receivers do (common practice, no source)."""
ASSUMED_HOST_PPM: Final = 100.0
"""Half-width for a computer's clock that nothing disciplines (common practice)."""
_ROOT_3: Final = math.sqrt(3.0)


def pulse_timebase(
    bench: Bench, position: PositionSpec, host_error_s: float | None = None
) -> Timebase:
    """Return what a run of pulses at this position takes as the time.

    Parameters
    ----------
    bench, position :
        A position's `reference` comes first; its `u_s` is that of [reference] or of the
        instrument. Without one the host's clock is the time: `host_clock_ppm` of the
        bench (rectangular), else `host_error_s`.
    host_error_s : float | None
        The operating system's own estimate of its clock's error, in s; None when the
        clock is not synchronised.

    """
    if position.reference is not None:
        return _by_reference(bench, position.reference)
    if bench.host_clock_ppm is not None:
        half = bench.host_clock_ppm
        text = f"this computer's clock, stated +-{half:g} ppm in the bench file"
        return Timebase("stated", 0.0, half / _ROOT_3, None, text)
    if host_error_s is not None:
        text = (
            "this computer's clock, synchronised; by its own estimate "
            f"{host_error_s * 1e3:.3g} ms off at either end"
        )
        return Timebase("stated", 0.0, 0.0, None, text, u_s=host_error_s)
    half = ASSUMED_HOST_PPM
    text = f"assumed +-{half:g} ppm: this computer's clock, not synchronised"
    return Timebase("assumed", 0.0, half / _ROOT_3, None, text)


def _by_reference(bench: Bench, name: str) -> Timebase:
    spec, wired = bench.instruments[name], bench.reference
    stated = spec.options.get("u_s")
    if wired is not None and wired.pulses == name and wired.u_s is not None:
        stated = wired.u_s
    if isinstance(stated, int | float):
        text = f"the pulses of {name!r} are the time, stated u {stated:.2g} s"
        return Timebase("stated", 0.0, 0.0, None, text, u_s=float(stated))
    text = (
        f"the pulses of {name!r} are the time, assumed u {ASSUMED_PULSE_S:.2g} s: "
        "nothing is stated"
    )
    return Timebase("assumed", 0.0, 0.0, None, text, u_s=ASSUMED_PULSE_S)
