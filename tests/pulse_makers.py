"""Pulse trains with known truth: what a host stamps of sources known exactly."""

from dataclasses import dataclass

import numpy as np

from benchlog.model import Flag


@dataclass(frozen=True, slots=True)
class Host:
    """The stamping computer: rate, slow wander of the rate, noise of each stamp."""

    ppm: float = 0.0
    wander_ppm: float = 0.0  # rms of the rate's slow wave
    jitter_s: float = 0.0
    late_share: float = 0.0  # stamps that come 1 to 3 ms late


@dataclass(frozen=True, slots=True)
class Source:
    """A source of pulses: offset, places that stay empty, extra pulses, sawtooth."""

    ppm: float = 0.0
    missed: float = 0.0
    doubled: float = 0.0
    sawtooth_s: float = 0.0
    nominal_s: float = 1.0
    phase_s: float = 0.0


def host_time(true_s, host: Host, rng) -> np.ndarray:
    """What the host's clock says at true times: a wave that no line takes out."""
    turn, begin = rng.uniform(0.6, 3.0), rng.uniform(0, 2 * np.pi)
    length = max(1.0, float(true_s[-1])) / turn
    wave = np.cos(2 * np.pi * true_s / length + begin) * length / (2 * np.pi)
    return true_s * (1 + host.ppm * 1e-6) + host.wander_ppm * 2**0.5 * 1e-6 * wave


def true_times(source: Source, n: int, rng) -> np.ndarray:
    """When the source truly pulses: n places, some empty, some doubled."""
    place = np.arange(n)
    t = source.phase_s + place * source.nominal_s / (1 + source.ppm * 1e-6)
    if source.sawtooth_s:
        # the receiver's clock is off by so much a pulse that its own grain is crossed
        t = t + source.sawtooth_s * ((place * rng.uniform(0.05, 0.45)) % 1.0 - 0.5)
    there = rng.random(n) >= source.missed
    extra = t[rng.random(n) < source.doubled]
    extra = extra + source.nominal_s * rng.uniform(0.001, 0.8, len(extra))
    return np.sort(np.concatenate([t[there], extra]))


def stamped(times_s, base, host: Host, rng) -> np.ndarray:
    """Host stamps in ns of true times, by the host's clock `base(true)`."""
    late = np.where(rng.random(len(times_s)) < host.late_share, 1, 0)
    noise = host.jitter_s * rng.standard_normal(len(times_s))
    stamp = base(times_s) + noise + late * rng.uniform(1e-3, 3e-3, len(times_s))
    return np.maximum.accumulate(np.round(stamp * 1e9).astype(np.int64)) + 10**12


def trains(sources, host: Host, n: int, rng) -> list[np.ndarray]:
    """Stamps of several sources on one host; the host's wander is common to them."""
    span_s = n * max(source.nominal_s for source in sources) * 1.1 + 1
    grid = np.linspace(0.0, span_s, 4096)
    clock = host_time(grid, host, rng)
    return [
        stamped(
            true_times(source, n, rng), lambda t: np.interp(t, grid, clock), host, rng
        )
        for source in sources
    ]


def feed(tracker, stamps, *, flags=None, sequence=None, segment=1) -> None:
    """Feed stamps as the store would hand them over."""
    n = len(stamps)
    numbers = np.arange(1, n + 1) if sequence is None else sequence
    marks = np.full(n, Flag.NONE) if flags is None else flags
    tracker.feed(stamps, numbers, marks, np.full(n, segment))
