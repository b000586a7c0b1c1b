"""The jitter limit: scatter from reading to reading, not slow movement, breaks it.

The rms about a straight line holds all that a run did besides drifting evenly: over a
long run a changing room makes most of it. The Allan deviation at the gate holds what
one reading differs from the next by, and is the same figure where the noise is white.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.distributions import chi_squared_quantile
from benchlog.analysis.stats import RunStats
from benchlog.model import Decision
from benchlog.units import (
    as_stated,
    three_digits,
)

RATE: Final = 0.025  # definition: one side of 95 %
"""How often each bound of an interval is wrong."""

# Derived, and tried: tests/finders/jitter_freedom.py. Criterion: each end of the
# interval of the scatter at the gate is wrong in 2.5 % of runs.
_FREEDOM: Final = 2.0 / 3.0  # of a pair of neighbours in white noise


@dataclass(frozen=True, slots=True)
class Scatter:
    """A standard deviation, ppm, and its degrees of freedom."""

    ppm: float
    freedom: float

    def ends(self, rate: float = RATE) -> tuple[float, float]:
        """Return the chi-squared bounds s sqrt(nu/chi2), each wrong with `rate`.

        They hold for scatter that is independent from reading to reading and normal.
        """
        nu = self.freedom
        low, high = (chi_squared_quantile(nu, one) for one in (rate, 1.0 - rate))
        return self.ppm * math.sqrt(nu / low), self.ppm * math.sqrt(nu / high)

    def word(self, limit_ppm: float, rate: float = RATE) -> Decision:
        """Pass where all of the interval is within the limit, fail where none is."""
        low, high = self.ends(rate)
        if high <= limit_ppm:
            return Decision.PASS
        return Decision.FAIL if low > limit_ppm else Decision.UNDECIDED


@dataclass(frozen=True, slots=True, kw_only=True)
class JitterVerdict:
    """The jitter held against the part's limit, with its 95 % interval, ppm rms.

    `line` is the scatter about a straight line, `gate` that from reading to reading;
    each None while there is none.
    """

    word: Decision
    limit_ppm: float
    line: Scatter | None
    gate: Scatter | None
    text: str

    @property
    def rms_ppm(self) -> float | None:
        """The rms about a straight line."""
        return None if self.line is None else self.line.ppm

    @property
    def low_ppm(self) -> float | None:
        """The lower end of its interval."""
        return None if self.line is None else self.line.ends()[0]

    @property
    def high_ppm(self) -> float | None:
        """The upper end of its interval."""
        return None if self.line is None else self.line.ends()[1]

    @property
    def moves_slowly(self) -> bool:
        """Whether clearly more than the scatter between neighbours is in the rms."""
        return moves_slowly(self.line, self.gate)


def jitter_of(stats: RunStats, limit_ppm: float) -> JitterVerdict:
    """Hold a run's scatter against the part's limit."""
    line = gate = None
    if stats.jitter_ppm_rms is not None and stats.n > 2:
        line = Scatter(stats.jitter_ppm_rms, stats.n - 2)
    if stats.scatter_ppm is not None:
        freedom = max(1.0, _FREEDOM * stats.avar[0].n)
        gate = Scatter(stats.scatter_ppm, freedom)
    return jitter_verdict(line, gate, limit_ppm)


def jitter_verdict(
    line: Scatter | None, gate: Scatter | None, limit_ppm: float
) -> JitterVerdict:
    """Judge the scatter about a line; where it is of slow movement, that at the gate.

    Parameters
    ----------
    line : Scatter | None
        About a straight line; None with fewer than 3 readings.
    gate : Scatter | None
        The Allan deviation at the gate; None where no two readings are neighbours.
    limit_ppm : float

    """
    word = word_of(line, gate, limit_ppm)
    return JitterVerdict(
        word=word,
        limit_ppm=limit_ppm,
        line=line,
        gate=gate,
        text=_text(word, line, gate, limit_ppm),
    )


def word_of(
    line: Scatter | None, gate: Scatter | None, limit_ppm: float, rate: float = RATE
) -> Decision:
    """Return the word, each of whose bounds is wrong with `rate`.

    Where the two figures can be told apart, the frequency moves slowly and the scatter
    at the gate decides; else that about the line does, but it fails nothing that
    neighbours do not fail, too.
    """
    if line is None:
        return Decision.UNDECIDED
    about = line.word(limit_ppm, rate)
    if about is Decision.PASS:
        return about
    if gate is None:
        return Decision.UNDECIDED
    at_gate = gate.word(limit_ppm, rate)
    if moves_slowly(line, gate):
        return at_gate
    return about if at_gate is Decision.FAIL else Decision.UNDECIDED


def moves_slowly(line: Scatter | None, gate: Scatter | None) -> bool:
    """Return whether the scatter about a line is clearly more than that at the gate."""
    if line is None or gate is None:
        return False
    return line.ends()[0] > gate.ends()[1]


def _text(
    word: Decision, line: Scatter | None, gate: Scatter | None, limit_ppm: float
) -> str:
    if line is None:
        return "jitter needs at least 3 readings"
    limit = f"{as_stated(limit_ppm)} ppm"
    if line.word(limit_ppm) is Decision.PASS:
        return f"jitter {_said(line)} is within {limit}"
    if gate is None:
        return (
            f"jitter {_said(line)}, and no two readings follow each other: not judged"
        )
    if moves_slowly(line, gate):
        met = {
            Decision.PASS: f"the jitter limit of {limit} is met",
            Decision.FAIL: f"more than the jitter limit of {limit}",
            Decision.UNDECIDED: f"too near the jitter limit of {limit} to tell",
        }
        return (
            f"moves slowly or in steps by {three_digits(line.ppm)} ppm rms about a "
            f"line; from reading to reading {_said(gate)}: {met[word]}"
        )
    if word is Decision.FAIL:
        return f"jitter {_said(line)} exceeds {limit}"
    return f"jitter {_said(line)} is too near {limit} to tell"


def _said(scatter: Scatter) -> str:
    low, high = scatter.ends()
    ends = f"{three_digits(low)} to {three_digits(high)}"
    return f"{three_digits(scatter.ppm)} ppm rms (95 %: {ends})"
