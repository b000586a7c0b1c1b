"""What a stability figure is asked for and what it comes as."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.series import Series
from benchlog.errors import DataError
from benchlog.model import AVERAGING, DEVIATIONS, REGRESSION
from benchlog.units import as_stated

ESTIMATORS: Final = ("overlapping", "plain")
SPACINGS: Final = ("octave", "decade", "every")
PLAIN: Final = ("adev", "hdev")
SHARED: Final = ("adev", "mdev", "tdev", "hdev")
_WEIGHTS: Final = (AVERAGING, REGRESSION)
OF_PHASE: Final = ("mdev", "tdev")
SLOW: Final = ("mtotdev", "ttotdev", "htotdev")


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityRow:
    """One averaging time.

    Parameters
    ----------
    tau_s : float
        m tau0.
    m, n : int
        Averaging factor; pairs (or triples, windows) it rests on, 0 for an empty row.
    value, low, high : float | None
        The deviation and its 95 % interval; None in an empty row, and where there is
        no interval (MTIE; total deviations of phase noise).
    noise : str | None
        The noise named at this averaging time or, where too few averages are left
        (`carried`), at the last one that had enough.
    edf : float | None
        Equivalent degrees of freedom behind the interval; of the slowest noise that
        the data could mean, which is not always the one that is named.
    bias : float | None
        Ratio of the variance with this dead time and this counter to the variance of a
        gapless one that takes two stamps, for this noise; 1 for such a one, None where
        the readings cannot tell. Stated, not applied.

    """

    tau_s: float
    m: int
    n: int
    value: float | None
    low: float | None = None
    high: float | None = None
    noise: str | None = None
    edf: float | None = None
    bias: float | None = 1.0
    carried: bool = False

    @property
    def noise_text(self) -> str:
        """Return the noise for a person; in brackets where it was carried on."""
        if self.noise is None:
            return "-"
        return f"({self.noise})" if self.carried else self.noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """A deviation against averaging time; `notes` say what a person should know."""

    kind: str
    tau0_s: float
    rows: Sequence[StabilityRow]
    estimator: str = "overlapping"
    missing: int = 0
    dead_time_s: float = 0.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DeviationRequest:
    """Which averaging times, which estimator.

    `taus_s` overrides `spacing`; each is rounded to the nearest whole factor.
    """

    estimator: str = "overlapping"
    spacing: str = "octave"
    taus_s: tuple[float, ...] = ()
    probability: float = 0.95


def check_request(kinds: Sequence[str], request: DeviationRequest) -> None:
    """Raise DataError, naming what there is, for a request that cannot be met."""
    for kind in kinds:
        if kind not in DEVIATIONS:
            raise DataError(f"no deviation {kind!r}; one of {', '.join(DEVIATIONS)}")
        if request.estimator == "plain" and kind not in PLAIN:
            raise DataError(f"{kind} has no plain estimator; adev and hdev have")
    if request.estimator not in ESTIMATORS:
        raise DataError(f"no estimator {request.estimator!r}; overlapping or plain")
    if request.spacing not in SPACINGS:
        raise DataError(f"no spacing {request.spacing!r}; octave, decade or every")
    if not 0 < request.probability < 1:
        raise DataError("the probability of an interval lies between 0 and 1")


def notes_on(series: Series, kind: str, missing: int) -> list[str]:
    """Say what missing values and dead time do to a deviation."""
    notes = []
    if missing and kind in ("totdev", "mtie", *SLOW):
        notes.append(
            f"{missing} values are missing: {kind} is that of the longest "
            "unbroken stretch"
        )
    elif missing and kind in OF_PHASE:
        notes.append(f"{missing} values are missing: only windows without a gap count")
    elif missing:
        notes.append(
            f"{missing} values are missing: averages are taken over what is "
            "there, at least half of each"
        )
    if series.dead_time_ratio > 1.0:
        gate_s = series.gate_s or series.tau0_s
        notes.append(
            f"dead time: gates of {as_stated(gate_s)} s every "
            f"{as_stated(series.tau0_s, 6)} s; "
            "each row states the bias B2 B3 of its noise, none is applied"
        )
        notes.append(
            "across dead time the counter's white PM looks like white FM: the bias is "
            "1 if it is white FM, 2m/3 (m readings averaged) if it is white PM; "
            "readings at a longer gate tell, white PM then scatters less by the gate, "
            "white FM by its square root"
        )
    if series.counting.mode in _WEIGHTS:
        notes.append(
            f"the counter's readings are averaged within the gate "
            f"({series.counting.mode}): at the gate this is more a modified deviation, "
            "of white PM above all; slower noises read up to a third higher in "
            "variance, which is in the bias"
        )
    return notes


def carried_note(rows: Sequence[StabilityRow]) -> tuple[str, ...]:
    """Say what brackets about a noise mean, where there are any."""
    if not any(row.carried for row in rows):
        return ()
    return (
        "noise in brackets: too few averages are left to tell, it is that of the "
        "shorter averaging times; which is likeliest at the length of the run, the "
        "uncertainty budget says",
    )


# --- which averaging times a request means, and about how long they take

# _PASS_S, _CELL_S: our rule: a rough word in advance, on a usual computer.
_PASS_S: Final = 4e-9  # a value in a pass
_CELL_S: Final = 1e-8  # a value in a stretch of the modified totals
_EVERY_S: Final = 1.5e-7  # our rule as above: a value and a halving, with its row


def goes_at_once(request: DeviationRequest, kind: str, *, gaps: bool) -> bool:
    """Whether every averaging factor is wanted, and all are worked out together.

    Averages over what is there of each, where values are missing, are not.
    """
    if request.estimator != "overlapping" or request.taus_s:
        return False
    return request.spacing == "every" and kind in (OF_PHASE if gaps else SHARED)


def factors_of(points: int, tau0_s: float, request: DeviationRequest) -> list[int]:
    """Return the averaging factors that a request means for so many phases."""
    top = max(1, (points - 1) // 2)
    if request.taus_s:
        return sorted({_factor(tau_s, tau0_s) for tau_s in request.taus_s})
    if request.spacing == "every":
        return list(range(1, top + 1))
    if request.spacing == "octave":
        return [1 << k for k in range(top.bit_length())]
    steps = (k * 10**power for power in range(len(str(top))) for k in (1, 2, 5))
    return [m for m in steps if m <= top]


def expected_s(series: Series, kind: str, request: DeviationRequest) -> float:
    """Return about how long a deviation takes; the modified totals grow with m.

    Of every averaging time transforms give most kinds.
    """
    n = len(series)
    if goes_at_once(request, kind, gaps=series.missing > 0):
        return _EVERY_S * n * math.log2(n + 2)
    factors = factors_of(n + 1, series.tau0_s, request)
    if kind not in SLOW:
        return _PASS_S * n * len(factors)
    return _CELL_S * sum(9 * m * max(0, n - 3 * m) for m in factors)


def _factor(tau_s: float, tau0_s: float) -> int:
    if not (tau_s > 0 and math.isfinite(tau_s)):
        raise DataError(f"averaging time {tau_s!r} s: give one above zero")
    return max(1, round(tau_s / tau0_s))
