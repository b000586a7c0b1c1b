"""What decisions err at the limit, and how often alike runs are told different.

Every noise and mixture of tests/analysis/test_coverage.py, many runs as rows of one
array: Allan variances, slowest motions, drift and guard as the judge has them, without
a digit; `test_risk.py` holds that against the judge itself. A mixture's second noise
has so many times the mean square of the first in the mean of the whole run.

- fixed, early, lot: a device that is truly at its limit, where its noise set out
  (flicker FM and random walk begin at rest). Share of runs passed, or failed, half of
  both together: they are alike by symmetry. Early: looks from 10 to 100 readings;
  lot: the same, by a time base of +-2 u that all devices of a lot of five share.
- different: two stretches of a device, one after the other, by `compare`.

`RISK.md` keeps the table: python tests/verdict/risk_campaign.py 2000
"""

import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "analysis"))

from noise_makers import make
from seeds import seeded_generator
from test_coverage import HIDDEN, PURE, evidence, with_motions

from benchlog.analysis.convolution import ROOT_3, quantile_above, sum_of
from benchlog.analysis.even_drift import CLEAR, FEWEST, SEEN
from benchlog.analysis.noise_mixture import SLOPE, ExpectedMean, spread_of
from benchlog.verdict.lot.capability import clopper_pearson
from benchlog.verdict.run.early_stop import ERROR_RATE, LAST_LOOK_RATE, StopRule

Array = NDArray[np.float64]
RULE = StopRule(10, 100)
LENGTHS = (30, 100, 300, 1000)
SEED = 1422


def from_rest(kind, rng, runs, n):
    """Return noise whose slow kinds begin at rest; flicker by N. J. Kasdin (1995)."""
    if kind != "flicker FM":
        return make(kind, rng, runs, n)
    k = np.arange(1, n)
    answer = np.concatenate([[1.0], np.cumprod((k - 0.5) / k)])
    size = 2 * n
    kicks = np.fft.rfft(rng.standard_normal((runs, n)), size, axis=1)
    return np.fft.irfft(kicks * np.fft.rfft(answer, size), size, axis=1)[:, :n]


def errors(kind, rng, runs, n, length=None):
    """Return rows of noise about a device's true offset; `length` is of a run."""
    if isinstance(kind, str):
        return from_rest(kind, rng, runs, n)
    first, second, ratio = kind
    quick, slow = (from_rest(one, rng, runs, n) for one in (first, second))
    sizes = [np.mean(y[:, :length].mean(axis=1) ** 2) for y in (quick, slow)]
    return quick + np.sqrt(ratio * sizes[0] / sizes[1]) * slow


@dataclass(frozen=True)
class Told:
    """u, its freedom, the share of random walk, and the drift over T (0: none)."""

    u: Array
    freedom: Array
    walk: Array
    drift: Array

    def guard(self, rate, longer=1.0, base=0.0):
        """Return what errors exceed with `rate`, by lines as the budget has them.

        `base` is the half width of a rectangular time base.
        """
        u = self.u * np.sqrt(1.0 + (longer - 1.0) * self.walk)
        plain = -stdtrit(self.freedom, rate) * u
        if base == 0.0 and not self.drift.any():
            return plain
        return np.array(
            [
                plain[row]
                if not base and not drift
                else quantile_above(
                    sum_of([base / ROOT_3, drift / ROOT_3], [], [(one, freedom)]), rate
                )
                for row, (one, freedom, drift) in enumerate(
                    zip(u.tolist(), self.freedom.tolist(), abs(self.drift), strict=True)
                )
            ]
        )


def told(y):
    """Return what a judge finds of each row."""
    n = y.shape[1]
    seen = with_motions(evidence(y, np.ones_like(y)), y)
    found = spread_of(seen)
    rise = _rises(y)
    drift = np.zeros(len(y))
    by_noise = found.terms[:, :3] @ SLOPE[:3]
    asked = (rise**2 / 12.0 >= SEEN * by_noise) & (n >= FEWEST)
    if asked.any():
        beside = _without_line(seen, y, rise, asked)
        drifts = rise[asked] ** 2 / 12.0 >= CLEAR * (beside.terms @ SLOPE)
        at = np.flatnonzero(asked)[drifts]
        drift[at] = rise[at]
        found.u[at], found.freedom[at] = beside.u[drifts], beside.freedom[drifts]
    walk = found.terms[:, 3] / np.maximum(found.terms.sum(axis=1), 1e-300)
    return Told(found.u, found.freedom, walk, drift)


def _rises(y):
    """Return the least-squares slope times T of each row."""
    t = np.arange(y.shape[1]) - (y.shape[1] - 1) / 2.0
    return y @ t / (t @ t) * y.shape[1]


def _without_line(seen, y, rise, rows) -> ExpectedMean:
    n = y.shape[1]
    line = rise[rows, None] * np.arange(n) / n
    some = replace(
        seen,
        avar=np.maximum(
            seen.avar[rows] - (rise[rows, None] / n * seen.m) ** 2 / 2.0, 0.0
        ),
        freedom=seen.freedom[rows],
        slope2=np.zeros(int(rows.sum())),
        motions=None,
    )
    return spread_of(with_motions(some, y[rows] - line))


def fixed(y, base=0.0, true_base=0.0):
    """Return the shares of runs passed and failed by U at the end."""
    guard = told(y).guard(ERROR_RATE, base=base)
    error = y.mean(axis=1) + true_base
    return np.mean(error < -guard), np.mean(error > guard)


def early(y, base=0.0, true_base=0.0):
    """Return the same by the early stop."""
    passed, failed = (np.zeros(len(y), dtype=bool) for _ in range(2))
    last = RULE.looks[-1]
    for look in RULE.looks:
        open_ = ~(passed | failed)
        some = y[open_, :look]
        rate = LAST_LOOK_RATE if look == last else RULE.early_rate
        guard = told(some).guard(rate, last / look, base)
        error = some.mean(axis=1) + np.broadcast_to(true_base, len(y))[open_]
        at = np.flatnonzero(open_)
        passed[at], failed[at] = error < -guard, error > guard
    return np.mean(passed), np.mean(failed)


def lots(y, rng):
    """Return the same for lots of five whose time base errs by up to +-2 u."""
    base = 2.0 * float(np.sqrt(np.mean(y.mean(axis=1) ** 2)))
    true_base = np.repeat(rng.uniform(-base, base, (len(y) + 4) // 5), 5)[: len(y)]
    return early(y, base, true_base)


def differs(y):
    """Return the share of pairs of stretches that `compare` tells apart."""
    n = y.shape[1] // 2
    one, two = told(y[:, :n]), told(y[:, n:])
    apart = np.abs(y[:, n:].mean(axis=1) - y[:, :n].mean(axis=1))
    count = 0
    for row, far in enumerate(apart.tolist()):
        least = math.hypot(*(1.96 * side.u[row] for side in (one, two)))
        if far <= 0.9 * least:  # no need to convolve
            continue
        students = [(side.u[row], side.freedom[row]) for side in (one, two)]
        flat = [abs(side.drift[row]) / ROOT_3 for side in (one, two)]
        count += far > quantile_above(sum_of(flat, [], students), ERROR_RATE)
    return count / len(y)


def risks(kind, runs, seed=SEED):
    """Return the four figures of a noise: fixed, early, lot, and different by n."""
    rng = seeded_generator(seed)
    y = errors(kind, rng, runs, RULE.max_readings)
    halves = [sum(one) / 2.0 for one in (fixed(y), early(y), lots(y, rng))]
    pairs = [differs(errors(kind, rng, runs, 2 * n, n)) for n in LENGTHS]
    return halves, pairs


def name(kind):
    return kind if isinstance(kind, str) else f"{kind[0]} + {kind[2]:g} {kind[1]}"


def _with_interval(share, runs):
    found = clopper_pearson(round(share * runs), runs)
    assert found is not None
    return f"{100 * share:.1f} ({100 * found.low:.1f} to {100 * found.high:.1f})"


def main(runs):
    heads = ("fixed", "early", "lot", *(f"different, n = {n}" for n in LENGTHS))
    print(f"| noise | {' | '.join(heads)} |")
    print("|---" * (1 + len(heads)) + "|")
    for kind in (*PURE, *HIDDEN):
        halves, pairs = risks(kind, runs)
        cells = [_with_interval(one, 2 * runs) for one in halves]
        cells += [_with_interval(one, runs) for one in pairs]
        print(f"| {name(kind)} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
