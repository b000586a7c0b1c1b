"""Every deviation of two published data sets, to all printed digits.

Sources: NIST SP 1065 (2008), sec. 12.4 table 31 (1000 points) and table 30 (the nine
points of NBS Monograph 140, Annex 8.E). Which printed value was seen and which is from
memory stands beside it in the tables of tests/data.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import DeviationRequest, stability
from benchlog.analysis.stability.total_variance import hadamard_total, modified_total

DATA = Path(__file__).parent.parent / "data"
KINDS = {
    "ADEV": ("adev", "plain"),
    "OADEV": ("adev", "overlapping"),
    "MDEV": ("mdev", "overlapping"),
    "TDEV": ("tdev", "overlapping"),
    "HDEV": ("hdev", "plain"),
    "OHDEV": ("hdev", "overlapping"),
    "TOTDEV": ("totdev", "overlapping"),
    "MTOTDEV": ("mtotdev", "overlapping"),
    "TTOTDEV": ("ttotdev", "overlapping"),
    "HTOTDEV": ("htotdev", "overlapping"),
}


def thousand_points():
    """SP 1065 12.4: n[i+1] = 16807 n[i] mod 2147483647, n[0] the first of the 1000."""
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n)
        n = 16807 * n % 2147483647
    return values


SETS = {
    "sp1065_1000pt": np.array(thousand_points()) / 2147483647.0,
    "nbs140_9pt": np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0]),
}


def table(name):
    lines = (DATA / f"{name}.csv").read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


CASES = [
    (name, row["statistic"], int(row["averaging_factor"]), row)
    for name in SETS
    for row in table(name)
    if row["statistic"] in KINDS
]


def one(name, statistic, m):
    kind, estimator = KINDS[statistic]
    request = DeviationRequest(estimator, taus_s=(float(m),))
    return stability(Series(SETS[name], 1.0), kind, request).rows[0]


def half_a_digit(printed):
    """One unit of the last printed digit; two published ones are truncated."""
    mantissa, _, exponent = printed.partition("e")
    places = len(mantissa.partition(".")[2])
    return 1.01 * 10.0 ** (int(exponent or 0) - places)


def test_the_generator_is_the_published_one():
    values = thousand_points()
    assert values[1:4] == [395529916, 1209410747, 633705974]  # SP 1065 12.4
    assert values[4] == 1324899545
    assert values[999] == 1560135652


def test_all_published_deviations_are_there():
    published = [case for case in CASES if case[3]["published_7_digit"]]
    assert len(published) == 10 * 3 + 10 * 2


@pytest.mark.parametrize(
    ("name", "statistic", "m", "row"), CASES, ids=lambda value: str(value)[:14]
)
def test_deviation_equals_the_handbook(name, statistic, m, row):
    found = one(name, statistic, m)
    assert found.n == int(row["n_terms"])
    printed = row["published_7_digit"]
    assert abs(found.value - float(printed)) <= half_a_digit(printed)
    assert found.value == pytest.approx(float(row["computed_full"]), rel=2e-10)


@pytest.mark.parametrize("row", table("sp1065_1000pt"), ids=lambda r: r["statistic"])
def test_raw_totals_equal_an_uncorrected_routine(row):
    m, expected = int(row["averaging_factor"]), float(row["computed_full"])
    y = SETS["sp1065_1000pt"]
    if row["statistic"] == "MTOTDEV_raw":
        phase = np.concatenate(([0.0], np.cumsum(y - y.mean())))
        assert modified_total(phase, m)[0] ** 0.5 / m == pytest.approx(expected, 1e-10)
    elif row["statistic"] == "HTOTDEV_raw":
        assert hadamard_total(y, m)[0] ** 0.5 == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("name", SETS)
def test_phase_and_frequency_data_say_the_same(name):
    y = SETS[name]
    phase = Series(np.concatenate(([0.0], np.cumsum(y))) * 0.5, 0.5, "phase")
    for kind in ("adev", "mdev", "tdev", "hdev", "totdev", "mtie"):
        by_frequency = stability(Series(y, 0.5), kind)
        by_phase = stability(phase, kind)
        for one_row, other in zip(by_frequency.rows, by_phase.rows, strict=True):
            assert one_row.n == other.n
            if one_row.n:
                assert one_row.value == pytest.approx(other.value, rel=1e-9)
