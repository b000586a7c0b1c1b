"""What readings say about a device: the figures and the verdict that rests on them."""

import math
from dataclasses import dataclass

from benchlog.analysis.stats import RunStats
from benchlog.model import Decision, Timebase
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.run.jitter import JitterVerdict
from benchlog.verdict.run.limit import Limit
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.run.reference_band import AtReference


@dataclass(frozen=True, slots=True)
class Outliers:
    """How the verdict hangs on readings that do not belong among their neighbours.

    `n` readings are marked, none nearer to its neighbours than `floor_ppm`;
    `with_them` is the word all readings give, `without` what the rest alone says.
    """

    n: int
    floor_ppm: float
    with_them: Decision
    without: "Assessment"

    @property
    def decide(self) -> bool:
        """Whether the word depends on them."""
        return self.with_them is not self.without.word


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """What a run says about its device so far; None stands for unknown.

    Parameters
    ----------
    stats : RunStats
        Uncorrected figures.
    offset_ppm : float | None
        Mean offset, corrected for the time base.
    u_ppm : float | None
        Expanded uncertainty U (95 %) of it.
    budget : Budget | None
        Where U comes from.
    limit : Limit
        What it is held against.
    word : Decision
        The worst of the offset's word and the jitter's; undecided where outliers alone
        make it what it is.
    conformance : float | None
        Probability (0 ... 1) that the device is within the limit.
    jitter : JitterVerdict | None
        None when the part states no jitter limit.
    reasons : tuple of str
        Why the verdict is what it is, in plain words.
    timebase : Timebase
        What the correction rests on.
    outliers : Outliers | None
        None when no reading is marked. All figures above are of all readings.
    nominal_hz : float
        What the offset counts from.
    timing : Timing | None
        Where pulses were stamped and no counter read.
    at_reference : AtReference | None
        The offset at the reference temperature where readings lie outside its band;
        word and conformance are by that then. `offset_ppm` is as measured.
    repeats : int
        How often in a row the counter gave the same value, where it repeats itself.
    doubt_of_counter : bool
        Whether `doubt` is whether the counter measures at all.
    doubt : str
        Why nothing is judged although there are figures: readings in another unit,
        pulses at another rate. Empty otherwise.
    digit_ppm : float | None
        The step that readings move in; None where it is not known.

    """

    stats: RunStats
    offset_ppm: float | None
    u_ppm: float | None
    budget: Budget | None
    limit: Limit
    word: Decision
    conformance: float | None
    jitter: JitterVerdict | None
    reasons: tuple[str, ...]
    timebase: Timebase
    outliers: Outliers | None = None
    nominal_hz: float = math.nan
    timing: Timing | None = None
    divider: float = 1.0
    at_reference: AtReference | None = None
    repeats: int = 0
    doubt_of_counter: bool = False
    doubt: str = ""
    digit_ppm: float | None = None

    @property
    def judged(self) -> tuple[float | None, float | None]:
        """Offset and U, ppm, that the verdict goes by."""
        if self.at_reference is None:
            return self.offset_ppm, self.u_ppm
        return self.at_reference.offset_ppm, self.at_reference.u_ppm

    @property
    def judged_budget(self) -> Budget | None:
        """The budget of the U that the verdict goes by."""
        return self.budget if self.at_reference is None else self.at_reference.budget

    @property
    def n_judged(self) -> int:
        """Readings that the verdict goes by."""
        return self.stats.n if self.at_reference is None else self.at_reference.n
