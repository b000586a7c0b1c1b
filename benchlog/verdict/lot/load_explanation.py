"""Why a whole lot of crystals sits off: the load capacitance that would explain it.

A help for the person, kept apart from every verdict: a lot that fails with the wrong
load on the fixture has not been measured as its data sheet says.
"""

from dataclasses import dataclass
from typing import Final

from benchlog.analysis import load_pulling as pulling
from benchlog.errors import DataError
from benchlog.model import Load
from benchlog.units import (
    as_stated,
    format_ppm,
    signed_digits,
    three_digits,
)
from benchlog.verdict.lot.capability import Interval

COMMON_SPREADS: Final = 1.0
"""The lot counts as off in common when its mean is off by this many standard
deviations, and by more than its own interval. Our rule, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadHelp:
    """What the load would have to be.

    Parameters
    ----------
    common_ppm : Interval
        What the lot is off by in common.
    load_pf, actual_pf, first_order_pf : float
        The load of the data sheet; the load that would explain the offset, exactly and
        to first order in C1.
    error_pf : Interval
        Actual less wanted, with the interval that the mean's makes of it.
    sensitivity_ppm_per_pf : float
        First-order slope at the wanted load.
    text : str
        All that in a sentence.

    """

    common_ppm: Interval
    load_pf: float
    actual_pf: float
    first_order_pf: float
    error_pf: Interval
    sensitivity_ppm_per_pf: float
    text: str


@dataclass(frozen=True, slots=True)
class Common:
    """What a lot is off by in common.

    Parameters
    ----------
    mean_ppm, sd_ppm : Interval, float
        Mean offset, what all share included in its interval; standard deviation.
    u_common_ppm : float
        Expanded uncertainty that all devices share, the counter's time base: an offset
        no larger than it says nothing of the load.
    left_out : int
        Outliers that the mean was taken without.

    """

    mean_ppm: Interval
    sd_ppm: float
    u_common_ppm: float = 0.0
    left_out: int = 0


def load_help(load: Load, common: Common) -> LoadHelp | None:
    """Return the help; None where the lot is not off in common or cannot be pulled so.

    Without CL, C0 and C1 in `load`, the crystal's circuit, there is nothing to say.
    """
    wanted, c0, c1 = load.load_pf, load.shunt_c0_pf, load.motional_c1_ff
    if wanted is None or c0 is None or c1 is None or not _off_in_common(common):
        return None
    mean = common.mean_ppm
    try:
        actual, least, most = (
            pulling.load_explaining_pf(c1, c0, wanted, ppm)
            for ppm in (mean.value, mean.high, mean.low)
        )
    except DataError:
        return None
    error = Interval(actual - wanted, least - wanted, most - wanted)
    slope = pulling.sensitivity_ppm_per_pf(c1, c0, wanted)
    missing, *ends = map(signed_digits, (error.value, error.low, error.high))
    # typical motional figures are not worth more than three digits of a load
    within = f", 95 %: {' to '.join(ends)}" if set(ends) != {missing} else ""
    first = pulling.load_explaining_first_order_pf(c1, c0, wanted, mean.value)
    text = (
        f"{_said(common)} off in common; a load of "
        f"{three_digits(actual)} pF in place of {as_stated(wanted)} pF would explain "
        "it "
        f"({missing} pF{within}; {three_digits(slope)} ppm/pF). "
        "The verdict does not take it into account"
    )
    return LoadHelp(
        common_ppm=mean,
        load_pf=wanted,
        actual_pf=actual,
        first_order_pf=first,
        error_pf=error,
        sensitivity_ppm_per_pf=slope,
        text=text,
    )


def _said(common: Common) -> str:
    found, n = common.mean_ppm, common.left_out
    mean = f"{format_ppm(found.value, found.half)} ppm"
    if not n:
        return f"the lot sits {mean}"
    them = "its outlier" if n == 1 else f"its {n} outliers"
    return f"without {them} the lot sits {mean}"


def _off_in_common(common: Common) -> bool:
    mean = common.mean_ppm
    excludes_zero = mean.low > 0 or mean.high < 0
    far = abs(mean.value) > max(COMMON_SPREADS * common.sd_ppm, common.u_common_ppm)
    return excludes_zero and far
