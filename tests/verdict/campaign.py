"""Simulated devices around the limit, decided by the early-stop rule and beside it.

The readings go through the judge that the keeper uses. Noises are in units of the
reading-to-reading scatter, 1 ppm; the limit is 30 ppm.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit
from seeds import seeded_generator

from benchlog.model import (
    Columns,
    Decision,
    Kind,
    Limits,
    Part,
    Timebase,
)
from benchlog.verdict.lot.capability import Interval, clopper_pearson
from benchlog.verdict.run.early_stop import EarlyStop, StopRule
from benchlog.verdict.run.reading_judge import RunJudge

Array = NDArray[np.float64]
Noise = Callable[[np.random.Generator, int], Array]
LIMIT_PPM = 30.0
RULE = StopRule()
PART = Part(
    id="quartz",
    title="quartz",
    kind=Kind.QUARTZ,
    nominal_hz=16e6,
    limits=Limits(tolerance_ppm=LIMIT_PPM),
)


def white_fm(rng: np.random.Generator, n: int) -> Array:
    return rng.normal(0.0, 1.0, n)


def white_pm(rng: np.random.Generator, n: int) -> Array:
    return np.diff(rng.normal(0.0, 1.0, n + 1)) / np.sqrt(2.0)


def flicker_fm(rng: np.random.Generator, n: int) -> Array:
    """A sum of relaxations an octave apart from 1 to 512 readings, and white."""
    total = rng.normal(0.0, 0.5, n)
    for tau in 2.0 ** np.arange(10):
        stay = np.exp(-1.0 / tau)
        kicks = rng.normal(0.0, 0.25 * np.sqrt(1 - stay * stay), n)
        state = rng.normal(0.0, 0.25)
        for i in range(n):
            state = stay * state + kicks[i]
            total[i] += state
    return total


def flicker_from_rest(rng: np.random.Generator, n: int) -> Array:
    """Flicker FM of the power law from its first reading on: half an integration.

    N. J. Kasdin, Proc. IEEE 83 (1995) 802.
    """
    k = np.arange(1, n)
    answer = np.concatenate([[1.0], np.cumprod((k - 0.5) / k)])
    return np.convolve(rng.normal(0.0, 1.0, n), answer)[:n]


def random_walk(rng: np.random.Generator, n: int) -> Array:
    return np.cumsum(rng.normal(0.0, 1.0, n))


@dataclass
class Tally:
    """What became of devices that are truly good, and of truly bad ones."""

    good: int = 0
    bad: int = 0
    false_reject: int = 0
    false_accept: int = 0
    undecided: int = 0
    readings: list[int] = field(default_factory=list)

    def count(self, conforms: bool, word: Decision, readings: int) -> None:
        self.good += conforms
        self.bad += not conforms
        self.false_reject += conforms and word is Decision.FAIL
        self.false_accept += (not conforms) and word is Decision.PASS
        self.undecided += word is Decision.UNDECIDED
        self.readings.append(readings)

    def accepts(self) -> Interval:
        return clopper_pearson(self.false_accept, self.bad) or Interval(0, 0, 1)

    def rejects(self) -> Interval:
        return clopper_pearson(self.false_reject, self.good) or Interval(0, 0, 1)


@dataclass(frozen=True)
class Setting:
    """Devices at `limit + spread_ppm * uniform(-1, 1)`, seen through a time base.

    `spread_ppm` stays below the limit, or devices would fail at the other one.
    """

    name: str
    noise: Noise
    devices: int
    spread_ppm: float = 0.0
    timebase_u_ppm: float = 0.0
    rule: StopRule = RULE


def columns(ppm: Array, first: int) -> Columns:
    n = len(ppm)
    index = np.arange(first, first + n, dtype=np.int64)
    return Columns(
        id=index + 1,
        segment=np.zeros(n, np.int64),
        utc_ns=(index + 1) * 10**9,
        mono_ns=(index + 1) * 10**9,
        gate_s=np.ones(n),
        frequency_hz=PART.nominal_hz * (1.0 + ppm * 1e-6),
        ambient_c=np.full(n, 25.0),
        flags=np.zeros(n, np.int64),
    )


def decide(ppm: Array, u_ppm: float, rule: StopRule) -> tuple[Decision, int, Decision]:
    """Return the early word with its readings, and the word at the maximum."""
    judge = RunJudge(
        PART, timebase=Timebase(status="stated", offset_ppm=0.0, u_ppm=u_ppm)
    )
    stop, early, done = EarlyStop(rule), None, 0
    for look in rule.looks:
        judge.feed(columns(ppm[done:look], done))
        done = look
        if early is None:
            step = stop.step(judge.assessment())
            early = (step.word, look) if step.stop else None
        elif look == rule.looks[-1]:
            return *early, judge.assessment().word
    assert early is not None
    return *early, early[0]


def run(setting: Setting, seed: int) -> tuple[Tally, Tally]:
    """Return the tallies of the early-stop rule and of the fixed number beside it.

    Exactly at the limit a device counts as bad when it is passed and as good when it is
    failed: both rates are of all devices then.
    """
    rng = seeded_generator(seed)
    early, fixed = Tally(), Tally()
    most = setting.rule.max_readings
    for _ in range(setting.devices):
        true = LIMIT_PPM + setting.spread_ppm * rng.uniform(-1.0, 1.0)
        base = setting.timebase_u_ppm * rng.normal()
        ppm = true + base + setting.noise(rng, most)
        word, readings, last = decide(ppm, setting.timebase_u_ppm, setting.rule)
        sides = [True, False] if setting.spread_ppm == 0 else [true <= LIMIT_PPM]
        for conforms in sides:
            early.count(conforms, word, readings)
            fixed.count(conforms, last, most)
    return early, fixed


def looking_every_time(devices: int, seed: int, rule: StopRule) -> Tally:
    """Return what comes of a plain 95 % t-interval looked at after every reading.

    White noise, devices exactly at the limit; what the rule is there to avoid.
    """
    rng = seeded_generator(seed)
    n = np.arange(1, rule.max_readings + 1)
    tally = Tally()
    k = stdtrit(np.maximum(n - 1, 1), 0.975)
    for _ in range(devices):
        x = white_fm(rng, rule.max_readings)
        mean = np.cumsum(x) / n
        var = (np.cumsum(x * x) - n * mean**2) / np.maximum(n - 1, 1)
        u = k * np.sqrt(np.maximum(var, 0) / n)
        clear = (np.abs(mean) > u) & (n >= rule.min_readings)
        at = int(np.argmax(clear)) if clear.any() else rule.max_readings - 1
        word = Decision.UNDECIDED
        if clear.any():
            word = Decision.PASS if mean[at] < 0 else Decision.FAIL
        for conforms in (True, False):
            tally.count(conforms, word, at + 1)
    return tally
