"""What the scatter at a second, longer gate tells of a counter whose gates are apart.

Readings that are not correlated may be white FM of the device, stamps that each gate
has for itself, or averages within the gate. How their scatter falls with the gate tells
them apart: as tau^-1/2, tau^-1, tau^-3/2 (NIST SP 1065, 5.2 and 5.5: white FM and white
PM of Allan deviations, white PM of modified ones).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchlog.analysis.pairing import ratio_apart
from benchlog.model import AVERAGING, REGRESSION, Counting, Sample
from benchlog.units import format_duration, interval_texts
from benchlog.verdict.run.counter.seen_counting import FEWEST, about_a_line

LONGER: Final = 4.0  # our rule: white FM, stamps, averages are then a factor of 2 apart
TIME_S: Final = 8.0  # our rule: what a second series may take
MOST: Final = 100  # our rule: the ratio is then known to 10 % (1 sd)
_HELD: Final = 0.9  # our rule: a gate that is set shows in how far readings are apart
_WHITE_FM: Final = 0.5  # source: sigma_y of white FM, SP 1065
_STAMPS: Final = 1.0  # source: sigma_y of white PM, SP 1065
_AVERAGES: Final = 1.5  # source: mod sigma_y of white PM, SP 1065


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterFall:
    """How many times smaller the scatter is at `gate_s`, with its 95 % interval.

    `longer`: how many times the first gate `gate_s` is.
    """

    gate_s: float
    longer: float
    ratio: float
    low: float
    high: float
    stated: Counting

    @property
    def text(self) -> str:
        """Say it, and what it means."""
        said, low, high = interval_texts(self.ratio, self.low, self.high, signed=False)
        return (
            f"at a gate of {format_duration(self.gate_s)} the scatter is {said} times "
            f"smaller ({low} to {high}): {self._meaning()}"
        )

    @property
    def powers(self) -> tuple[float, ...]:
        """The powers of the gate that the interval holds."""
        known = (_WHITE_FM, _STAMPS, _AVERAGES)
        return tuple(p for p in known if self.low <= self.longer**p <= self.high)

    def _meaning(self) -> str:
        match self.powers:
            case (power,):
                return self._named(power)
            case ():
                if self.high < self.longer**_WHITE_FM:
                    return "noise slower than white FM"
                return "between what one noise alone would do"
        return "too few readings to tell"

    def _named(self, power: float) -> str:
        if power == _WHITE_FM:
            return "white FM of the device"
        if power == _STAMPS:
            return (
                "white PM of stamps that each gate has for itself, of as many averages "
                "in each, or the last digit"
            )
        if self.stated.mode in (AVERAGING, REGRESSION):
            return "the counter averages within its gate, as stated"
        return (
            'the counter averages within its gate; state counting = "averaging" or '
            '"regression" in the bench file, as its manual has it'
        )


def readings_at(gate_s: float) -> int:
    """Return how many readings a second series at `gate_s` takes; 0: too long."""
    fit = min(MOST, int(TIME_S / gate_s))
    return fit if fit >= FEWEST else 0


def scatter_fall(
    short: Sequence[Sample], long: Sequence[Sample], stated: Counting
) -> ScatterFall | None:
    """Return how the scatter falls from the shorter gate to the longer one.

    None where too few readings came, the gate was not taken over, or all are alike.
    """
    if min(len(short), len(long)) < FEWEST or long[0].unit != short[0].unit:
        return None
    gate_s, first_s = long[0].gate_s, short[0].gate_s
    if not gate_s or not first_s or gate_s <= first_s:
        return None
    apart_s = float(np.median(np.diff([one.mono_ns for one in long]))) * 1e-9
    if apart_s < _HELD * gate_s:
        return None
    near, far = _scatter_hz(short), _scatter_hz(long)
    if not (near and far):
        return None
    found = ratio_apart(far, len(long) - 2, near, len(short) - 2)
    return ScatterFall(
        gate_s=gate_s,
        longer=gate_s / first_s,
        ratio=found.value,
        low=found.low,
        high=found.high,
        stated=stated,
    )


def _scatter_hz(samples: Sequence[Sample]) -> float:
    """Return the standard deviation about a straight line; 0 if one is not finite."""
    rest = about_a_line(samples)
    return 0.0 if rest is None else float(np.sqrt(rest @ rest / (len(rest) - 2)))
