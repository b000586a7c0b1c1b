"""The running figures of one run as frozen data; None stands for unknown."""

import math
from dataclasses import dataclass, replace

from benchlog.analysis.phase_blocks import BlockPhases


@dataclass(frozen=True, slots=True)
class AvarPoint:
    """Overlapping Allan variance (ppm^2) at one averaging factor.

    `n` is the number of pairs of adjacent averages it rests on, `tau_s` the
    averaging time m tau0.
    """

    m: int
    tau_s: float
    n: int
    avar: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnStats:
    """Figures of a run whose counter serves others, too, by the means of its turns.

    Parameters
    ----------
    turns : int
        Turns begun.
    gates : int
        Readings of a turn.
    spacing_s : float
        From turn to turn.
    live_share : float
        Gates over spacing: the part of the time in which the device is measured.
    avar, bridged, phase_blocks
        As those of `RunStats`, of turns in place of readings.

    """

    turns: int
    gates: int
    spacing_s: float
    live_share: float
    avar: tuple[AvarPoint, ...] = ()
    bridged: tuple[AvarPoint, ...] = ()
    phase_blocks: BlockPhases | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStats:
    """Figures of all readings fed so far, before any correction.

    Parameters
    ----------
    n : int
        Readings.
    gaps : int
        Places where a reading does not follow from the one before it.
    first_utc_ns, last_utc_ns : int | None
        Ends of the first and last gate; None without time stamps.
    span_s : float
        From the start of the first gate to the end of the last.
    tau0_s : float | None
        Mean spacing of contiguous readings (the gate where there are none).
    gate_s : float | None
        Gate of the last reading.
    mean_hz, offset_ppm : float | None
        Mean frequency of the device (reading x divider) and its offset from nominal.
    slope_ppm_per_s, jitter_ppm_rms : float | None
        Straight line through the readings and the standard deviation about it
        (n - 2 degrees of freedom); None below 2 and 3 readings.
    min_ppm, max_ppm, jitter_ppm_pp : float | None
        Extremes, and their distance: not about the line, a drift is in it. (About a
        line that is only known at the end it would take all readings, or the hull of
        them, which has no bound.)
    avar : tuple of AvarPoint
        At octaves, from pairs inside contiguous stretches only.
    bridged : tuple of AvarPoint
        At octaves, from averages that have at least half of their readings; the same
        as `avar` while none is missing.
    phase_blocks : BlockPhases | None
        Mean phases of equal blocks, in ppm times tau0; None where the phase was lost.
    n_suspect, n_far : int
        Readings no device of the part can give; of these, those that lie near no
        simple multiple of nominal.
    turns : TurnStats | None
        Where the counter serves others in between, once there are two turns.
    n_settling : int
        Readings left out of all this because the device was still settling.

    """

    n: int = 0
    gaps: int = 0
    first_utc_ns: int | None = None
    last_utc_ns: int | None = None
    span_s: float = 0.0
    tau0_s: float | None = None
    gate_s: float | None = None
    mean_hz: float | None = None
    offset_ppm: float | None = None
    slope_ppm_per_s: float | None = None
    jitter_ppm_rms: float | None = None
    jitter_ppm_pp: float | None = None
    min_ppm: float | None = None
    max_ppm: float | None = None
    avar: tuple[AvarPoint, ...] = ()
    bridged: tuple[AvarPoint, ...] = ()
    phase_blocks: BlockPhases | None = None
    ambient_mean_c: float | None = None
    ambient_min_c: float | None = None
    ambient_max_c: float | None = None
    n_ambient: int = 0
    n_typed_ambient: int = 0
    n_suspect: int = 0
    n_far: int = 0
    n_settling: int = 0
    simulated: bool = False
    turns: TurnStats | None = None

    @property
    def scatter_ppm(self) -> float | None:
        """The Allan deviation at the gate, ppm: scatter from reading to reading.

        None where no two readings follow each other.
        """
        if not self.avar or self.avar[0].m != 1:
            return None
        return math.sqrt(self.avar[0].avar)


def by_turns(stats: RunStats) -> RunStats:
    """Return the figures with turns in place of readings; as they are without turns.

    Frequencies, extremes and span stay those of all readings.
    """
    turns = stats.turns
    if turns is None or not turns.bridged:
        return stats
    return replace(
        stats,
        n=turns.turns,
        tau0_s=turns.spacing_s,
        avar=turns.avar,
        bridged=turns.bridged,
        phase_blocks=turns.phase_blocks,
        turns=None,
    )
