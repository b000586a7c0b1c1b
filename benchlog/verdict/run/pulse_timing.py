"""What pulses tell of a device's timing, and of the time they are held against."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.pulses.lateness import LateShares
from benchlog.analysis.pulses.train import PulseCounts
from benchlog.model import Bench, PositionSpec, Timebase
from benchlog.units import as_stated, three_digits, two_digits

_LONGEST_S: Final = 30 * 86_400.0  # our rule: nobody waits longer than a month
_HALVINGS: Final = 40  # our rule: to a part in 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Figures of a run of pulses besides its offset.

    Parameters
    ----------
    against : str
        Whose time they are held against, for people.
    counts : PulseCounts
        The device's pulses by kind; `reference` likewise, None without one.
    rms_s, pp_s : float | None
        Time residuals about the straight line, in s; None while there is no line.
    set_aside, reference_set_aside : int
        Good pulses too far from the line to count.
    lateness : tuple of (device, reference), optional
        Late stamps by quarters of the run, None where too few are late; the whole is
        None where stamps are not one-sided, so that all count alike.
    judged_in_s : float | None
        Seconds until the verdict is expected; 0 when it is there, None when it is not
        to be had in this way or nothing can be said yet.
    by_itself : bool
        Whether statistics, not the reference, are what stands in the way.

    """

    against: str
    counts: PulseCounts
    reference: PulseCounts | None = None
    rms_s: float | None = None
    pp_s: float | None = None
    set_aside: int = 0
    reference_set_aside: int = 0
    lateness: tuple[LateShares | None, LateShares | None] | None = None
    judged_in_s: float | None = None
    by_itself: bool = True

    @property
    def load_change(self) -> str:
        """What to tell where the share of late stamps changes in the run, else ""."""
        ours, theirs = self.lateness or (None, None)
        for whose, late in (("", ours), (" of the reference", theirs)):
            if late is not None and late.changed:
                shares = ", ".join(two_digits(100 * one) for one in late.shares)
                return (
                    f"the share of late stamps{whose} changes: {shares} % in the "
                    "quarters of the run. The load of this computer changed; the "
                    "offset comes from the earliest stamps"
                )
        return ""


def span_until(
    u_after: Callable[[float], float], span_s: float, wanted: float
) -> float | None:
    """Return the length at which `u_after` falls to `wanted`; None within 30 days.

    `u_after` must not grow with the length.
    """
    if u_after(span_s) <= wanted:
        return span_s
    if u_after(_LONGEST_S) > wanted:
        return None
    low, high = math.log(span_s), math.log(_LONGEST_S)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if u_after(math.exp(middle)) > wanted:
            low = middle
        else:
            high = middle
    return math.exp(high)


# --- what is known of the time that pulses are held against: a reference, or the host

ASSUMED_PULSE_S: Final = 1e-6
"""Standard uncertainty of a reference's pulse that nobody states one for: ten times
what receivers do (common practice, no source)."""
ASSUMED_HOST_PPM: Final = 100.0
"""Half-width for a computer's clock that nothing disciplines (common practice)."""
_ROOT_3: Final = math.sqrt(3.0)  # source: JCGM 100:2008, 4.3.7, rectangular


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
        text = (
            f"this computer's clock, stated +-{as_stated(half)} ppm in the bench file"
        )
        return Timebase(
            status="stated",
            offset_ppm=0.0,
            u_ppm=half / _ROOT_3,
            valid_until_utc_ns=None,
            text=text,
        )
    if host_error_s is not None:
        text = (
            "this computer's clock, synchronised; by its own estimate "
            f"{three_digits(host_error_s * 1e3)} ms off at either end"
        )
        return Timebase(
            status="stated",
            offset_ppm=0.0,
            u_ppm=0.0,
            valid_until_utc_ns=None,
            text=text,
            u_s=host_error_s,
        )
    half = ASSUMED_HOST_PPM
    text = f"assumed +-{as_stated(half)} ppm: this computer's clock, not synchronised"
    return Timebase(
        status="assumed",
        offset_ppm=0.0,
        u_ppm=half / _ROOT_3,
        valid_until_utc_ns=None,
        text=text,
    )


def _by_reference(bench: Bench, name: str) -> Timebase:
    spec, wired = bench.instruments[name], bench.reference
    stated = spec.options.get("u_s")
    if wired is not None and wired.pulses == name and wired.u_s is not None:
        stated = wired.u_s
    if isinstance(stated, int | float):
        text = f"the pulses of {name!r} are the time, stated u {as_stated(stated)} s"
        return Timebase(
            status="stated",
            offset_ppm=0.0,
            u_ppm=0.0,
            valid_until_utc_ns=None,
            text=text,
            u_s=float(stated),
        )
    text = (
        f"the pulses of {name!r} are the time, assumed u "
        f"{as_stated(ASSUMED_PULSE_S)} s: "
        "nothing is stated"
    )
    return Timebase(
        status="assumed",
        offset_ppm=0.0,
        u_ppm=0.0,
        valid_until_utc_ns=None,
        text=text,
        u_s=ASSUMED_PULSE_S,
    )
