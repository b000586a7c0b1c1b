"""The 95 % interval of sums against exact convolution and published examples.

Exact is the inversion of characteristic functions (J. Gil-Pelaez, Biometrika 38 (1951)
481): nothing of it is used by the code. Rectangle sin(aw)/(aw), normal exp(-s^2 w^2 /
2), Student's t with K of order nu/2 (S. Hurst, 1995, from memory; held below against
scipy's t). The whole grid of 10,000 sums is marked slow and writes CONVOLUTION.md when
BENCHLOG_KEEP_RESULTS=1; every thousandth of it runs always,
every hundredth in campaigns.
"""

import math
import os
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy.special import gammaln, kve
from seeds import seeded_generator
from tiers import seldom

from benchlog.analysis.convolution import above, half_interval, quantile_above, sum_of

TABLE = Path(__file__).with_name("CONVOLUTION.md")
SUMS = 10_000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


def panels(last):
    """Return nodes and weights from 0 to `last`: fine at 0, then evenly."""
    ends = np.concatenate(
        [[0.0], np.geomspace(1e-5, 0.1, 16), np.arange(0.3, last, 0.2)]
    )
    half = np.diff(ends)[:, None] / 2.0
    return ((ends[:-1, None] + half + half * _NODES).ravel(), (half * _WEIGHTS).ravel())


def t_characteristic(w, scale, freedom):
    z, half = math.sqrt(freedom) * scale * w, freedom / 2.0
    with np.errstate(over="ignore", invalid="ignore"):
        log = np.log(kve(half, z)) - z + half * np.log(z)
    phi = np.exp(log - gammaln(half) - (half - 1.0) * math.log(2.0))
    if freedom <= 2.0:
        return phi
    narrow = np.exp(-0.5 * (scale * w) ** 2 * freedom / (freedom - 2.0))
    return np.where(np.isfinite(phi), phi, narrow)  # K overflows near 0


def exact_above(rectangular, normal, students):
    """Return the tail as a function of x, for more than one rectangle alone."""
    size = max(*rectangular, *normal, *(scale for scale, _ in students), 0.0)
    w, weight = panels(120.0)
    w, weight = w / size, weight / size
    phi = np.exp(-0.5 * sum(s * s for s in normal) * w * w)
    for sd in rectangular:
        phi = phi * np.sinc(math.sqrt(3.0) * sd * w / math.pi)
    for scale, freedom in students:
        phi = phi * t_characteristic(w, scale, freedom)
    weighted = weight * phi / w / math.pi
    return lambda x: 0.5 - float(weighted @ np.sin(w * x))


def exact_half_interval(parts, near):
    """Return U of 95 % by the exact tail."""
    tail = exact_above(*parts)
    return scipy.optimize.brentq(
        lambda x: tail(x) - 0.025, 0.3 * near, 1.6 * near, rtol=1e-6
    )


def sums(count=SUMS, seed=71):
    """Yield sums: 0 to 3 rectangles, 0 or 1 normal, 0 to 2 t; sizes over a decade."""
    rng = seeded_generator(seed)
    while count:
        n_rectangles, n_normal, n_t = rng.integers(0, (4, 2, 3))
        sizes = 10.0 ** rng.uniform(-1.0, 0.0, 6)
        freedom = np.exp(rng.uniform(0.0, math.log(300.0), 2))
        if n_rectangles + n_normal + n_t < 2:
            continue
        count -= 1
        students = tuple(zip(sizes[4 : 4 + n_t], freedom[:n_t], strict=True))
        yield tuple(sizes[:n_rectangles]), tuple(sizes[3 : 3 + n_normal]), students


def errors(parts):
    """Return the relative error of U, and that of Welch-Satterthwaite's as it was."""
    found = half_interval(sum_of(*parts))
    exact = exact_half_interval(parts, found)
    return found / exact - 1.0, welch(parts) / exact - 1.0


def welch(parts):
    """Return U by effective degrees of freedom, with k = 2 from 60 on."""
    rectangular, normal, students = parts
    lines = [(s, math.inf) for s in (*rectangular, *normal)] + list(students)
    u = math.sqrt(sum(s * s for s, _ in lines))
    spread = sum((s / u) ** 4 / nu for s, nu in lines)
    return u * (2.0 if spread <= 1 / 60.0 else scipy.stats.t.isf(0.025, 1.0 / spread))


# --- the reference itself, and published examples


@pytest.mark.parametrize("freedom", [1.0, 2.5, 30.0, 250.0])
def test_exact_convolution_is_exact(freedom):
    for x in (0.5, 2.0, 12.0):
        found = exact_above((), (), ((1.0, freedom),))(x)
        assert found == pytest.approx(scipy.stats.t.sf(x, freedom), abs=2e-7)
    trapezoid = exact_above((1.0, 1.0), (), ())(1.9)
    left = 2 * math.sqrt(3.0) - 1.9
    assert trapezoid == pytest.approx(left**2 / 24.0, abs=2e-5)


@pytest.mark.parametrize(
    ("sds", "expected"),
    [
        ((1, 1, 1, 1), 3.88),  # JCGM 101:2008, 9.2.3, table 3
        ((1, 1, 1, 10), 17.0),  # JCGM 101:2008, 9.2.4, table 4 (from memory)
        ((1,), 0.95 * math.sqrt(3)),  # 0.95 a
        ((1, 1), math.sqrt(6) * (1 - math.sqrt(0.05)) * math.sqrt(2)),  # triangle
    ],
)
def test_rectangles(sds, expected):
    assert half_interval(sum_of(sds, (), ())) == pytest.approx(expected, rel=3e-3)


def test_normals_of_jcgm_101():
    """JCGM 101:2008, 9.2.2, table 2: four normals of 1 make +-3.92."""
    assert half_interval(sum_of((), (1, 1, 1, 1), ())) == pytest.approx(3.92, abs=5e-3)


@pytest.mark.parametrize("freedom", [1, 2, 4, 10, 50, 120])
def test_t_alone_is_the_quantile(freedom):
    """JCGM 100:2008, table G.2, 95 %: 12.71, 4.30, 2.78, 2.23, 2.01, ..."""
    found = half_interval(sum_of((), (), ((1.0, float(freedom)),)))
    assert found == pytest.approx(scipy.stats.t.isf(0.025, freedom), rel=1e-9)


def test_two_t_are_wider_than_welch_says():
    """Behrens-Fisher, sizes alike: 1.96 at many degrees of freedom, more at few.

    Two of Cauchy add up to one of twice the scale.
    """
    cauchy = half_interval(sum_of((), (), ((1.0, 1.0), (2.0, 1.0))))
    assert cauchy == pytest.approx(3.0 * 12.7062, rel=1e-3)


def test_against_drawing_at_random():
    """JCGM 101:2008, 7: a million draws."""
    rng = seeded_generator(72)
    n = 1_000_000
    drawn = rng.uniform(-1, 1, n) * math.sqrt(3) + 0.4 * rng.normal(size=n)
    drawn += 0.7 * rng.standard_t(3.3, n)
    expected = float(np.quantile(np.abs(drawn), 0.95))
    found = half_interval(sum_of((1.0,), (0.4,), ((0.7, 3.3),)))
    assert found == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize("tiny", [0.0, 1e-300, 1e-17, 1e-9, 1e-6, 3e-5, 3e-4])
@pytest.mark.parametrize("students", [(), ((0.5, 1.2),), ((0.5, 30.0),)])
def test_a_rectangle_next_to_nothing_changes_nothing(tiny, students):
    """Its closed form divides by its width."""
    without = half_interval(sum_of((), (1.0,), students))
    for rectangles in ((tiny,), (tiny, tiny), (tiny, tiny / 3, tiny)):
        found = half_interval(sum_of(rectangles, (1.0,), students))
        assert found == pytest.approx(without, rel=1e-6)
    wide = half_interval(sum_of((2.0,), (1.0,), students))
    assert half_interval(sum_of((2.0, tiny), (1.0,), students)) == pytest.approx(wide)


# --- the grid


@pytest.mark.parametrize("each", [1_000, seldom(100)])
def test_a_part_of_the_grid(each):
    worst = max(abs(errors(parts)[0]) for parts in list(sums())[::each])
    assert worst < 0.01


def test_tail_and_quantile_are_inverse_and_symmetrical():
    for parts in list(sums(40, seed=73)):
        of = sum_of(*parts)
        for rate in (0.2, 0.025, 1.5e-4):
            x = quantile_above(of, rate)
            assert above(of, x) == pytest.approx(rate, rel=1e-2)
            assert above(of, -x) == pytest.approx(1 - rate, abs=1e-3)
        assert above(of, 0.0) == pytest.approx(0.5, abs=1e-6)


HEAD = """# U against exact convolution

Written by `BENCHLOG_KEEP_RESULTS=1 pytest -m slow tests/verdict/test_convolution.py`.
Error of the half width that holds 95 %, in %, over 10,000 sums of rectangular, normal
and t quantities (1 to 300 degrees of freedom, sizes over a decade) against the
inversion of characteristic functions. Beside it what Welch-Satterthwaite makes of the
same lines, with k = 2 from 60 degrees of freedom.
"""


@pytest.mark.slow
def test_grid():
    found = defaultdict(list)
    for parts in sums():
        kind = tuple(len(part) for part in parts)
        found[kind].append([100 * one for one in errors(parts)])
    lines = [
        HEAD,
        "| rectangles | normals | t | sums | worst error | Welch, lowest | highest |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind, listed in sorted(found.items()):
        ours, old = np.array(listed).T
        lines.append(
            f"| {kind[0]} | {kind[1]} | {kind[2]} | {len(ours):,} "
            f"| {np.abs(ours).max():.3f} | {old.min():.1f} | {old.max():.1f} |"
        )
    table = "\n".join(lines)
    print(f"\n{table}")
    if os.environ.get("BENCHLOG_KEEP_RESULTS") == "1":
        TABLE.write_text(table + "\n", encoding="utf-8")
    assert max(abs(ours) for one in found.values() for ours, _ in one) < 1.0
