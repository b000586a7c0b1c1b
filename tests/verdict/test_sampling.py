"""Sampling plans against MIL-STD-105E (1989) / ISO 2859-1 and against scipy.stats.

The status of each cell is that of the data files: compared with a secondary print, the
table's pattern, or from memory.
"""

from itertools import product

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from verdict.published import rows

from benchlog.errors import UsageError
from benchlog.verdict.lot.sampling_plan import (
    Plan,
    acceptance_probability,
    characteristic,
    custom_plan,
    describe_plan,
    fraction_at,
    full_plan,
    plan_for,
)
from benchlog.verdict.lot.sampling_table import (
    AQLS,
    LETTERS,
    LEVELS,
    Severity,
    Status,
    cell,
    code_letter,
)

MASTER = rows("sampling_plan_master.csv")
CODE_LETTERS = rows("sampling_code_letters.csv")
NORMAL, TIGHTENED, REDUCED = Severity.NORMAL, Severity.TIGHTENED, Severity.REDUCED


def test_all_cells_of_the_master_table() -> None:
    assert len(MASTER) == 240
    for row in MASTER:
        letter, aql = row["code_letter"], float(row["aql_percent"])
        found = cell(letter, aql, NORMAL)
        seen = (found.arrow, found.letter, found.sample_size)
        assert seen == (row["cell"], row["use_letter"], int(row["n"])), row
        assert (found.accept, found.reject) == (int(row["ac"]), int(row["re"])), row
        compared = aql >= 0.65 and letter != "R"
        expected = Status.VERIFIED if compared else Status.PATTERN
        assert found.status is expected, row


def test_probability_of_acceptance_of_every_cell_at_its_aql() -> None:
    """Recomputed with scipy.stats.binom; the data file holds six digits."""
    for row in MASTER:
        n, ac, aql = int(row["n"]), int(row["ac"]), float(row["aql_percent"])
        plan = custom_plan(10**9, n, ac)
        ours = acceptance_probability(plan, aql / 100)
        assert ours == pytest.approx(scipy.stats.binom.cdf(ac, n, aql / 100), rel=1e-12)
        printed = float(row["p_accept_at_aql_binomial"])
        assert ours == pytest.approx(printed, abs=5.1e-7)
        points = characteristic(plan)
        for point, key in ((points.p95, "p95"), (points.p10, "p10")):
            printed = float(row[f"{key}_percent_binomial"])
            assert point * 100 == pytest.approx(printed, abs=5.1e-7)


@pytest.mark.parametrize("row", CODE_LETTERS, ids=lambda row: row["lot_min"])
def test_code_letters(row: dict[str, str]) -> None:
    sizes = [int(row["lot_min"]), int(row["lot_max"] or 10**9)]
    for level in LEVELS:
        for size in sizes:
            letter, status = code_letter(size, level)
            assert letter == row[level]
            remembered = letter in "AB" and level in ("S-1", "S-4", "I")
            assert (status is Status.MEMORY) == remembered


def test_spot_check_of_a_secondary_print() -> None:
    """Lot 151 to 280, level II, AQL 4.0: G, n = 32, Ac 3, Re 4."""
    for size in (151, 280):
        plan = plan_for(size, 4.0)
        assert (plan.letter, plan.sample_size) == ("G", 32)
        assert (plan.accept, plan.reject, plan.status) == (3, 4, Status.VERIFIED)
        assert plan.doubts == ()


@pytest.mark.parametrize(
    ("severity", "letter", "aql", "expected"),
    [
        # from memory: table II-B of MIL-STD-105E
        (TIGHTENED, "F", 1.0, ("F", 20, 0, 1)),
        (TIGHTENED, "G", 1.0, ("F", 20, 0, 1)),
        (TIGHTENED, "H", 1.0, ("J", 80, 1, 2)),
        (TIGHTENED, "J", 1.0, ("J", 80, 1, 2)),
        (TIGHTENED, "K", 1.0, ("K", 125, 2, 3)),
        (TIGHTENED, "L", 1.0, ("L", 200, 3, 4)),
        (TIGHTENED, "N", 1.0, ("N", 500, 8, 9)),
        (TIGHTENED, "Q", 1.0, ("Q", 1250, 18, 19)),
        (TIGHTENED, "R", 0.025, ("S", 3150, 1, 2)),
        # from memory: table II-C of MIL-STD-105E
        (REDUCED, "J", 1.0, ("J", 32, 1, 3)),
        (REDUCED, "K", 1.0, ("K", 50, 1, 4)),
        (REDUCED, "L", 1.0, ("L", 80, 2, 5)),
        (REDUCED, "M", 1.0, ("M", 125, 3, 6)),
        (REDUCED, "K", 0.40, ("K", 50, 0, 2)),
    ],
)
def test_tightened_and_reduced_from_memory(
    severity: Severity, letter: str, aql: float, expected: tuple[object, ...]
) -> None:
    found = cell(letter, aql, severity)
    seen = (found.letter, found.sample_size, found.accept, found.reject)
    assert seen == expected
    assert found.status is Status.MEMORY


def test_tightened_is_the_strictest_and_reduced_the_mildest_at_the_aql() -> None:
    """What severity means; a shape check over the cells that are from memory.

    Reduced cannot go below two devices, which A is already at under normal inspection.
    """
    for letter, aql in product(LETTERS[:16], AQLS):
        at = {}
        for severity in Severity:
            found = cell(letter, aql, severity)
            most, size = found.reject - 1, found.sample_size
            at[severity] = scipy.stats.binom.cdf(most, size, aql / 100)
        assert at[TIGHTENED] < at[NORMAL] <= at[REDUCED], (letter, aql)
        assert at[NORMAL] < at[REDUCED] or cell(letter, aql, NORMAL).letter == "A"


def test_an_arrow_brings_the_other_plans_sample_size() -> None:
    plan = plan_for(500, 0.65)  # H, arrow down to J
    assert (plan.letter, plan.used_letter) == ("H", "J")
    assert (plan.sample_size, plan.accept) == (80, 1)


def test_a_sample_as_large_as_the_lot_means_every_device() -> None:
    plan = plan_for(20, 0.65)  # C, arrow down to F with n = 20
    assert plan.full and plan.sample_size == 20
    smaller = plan_for(9, 0.65)
    assert smaller.full and smaller.sample_size == 9
    assert acceptance_probability(smaller, 0.0, of_this_lot=True) == 1.0
    assert acceptance_probability(smaller, 1 / 9, of_this_lot=True) == 0.0
    assert "measure all 9" in describe_plan(smaller)


@pytest.mark.parametrize(
    ("n", "ac", "percents"),
    [
        # recomputed, binomial
        (80, 2, (1.030, 3.329, 6.516)),
        (125, 3, (1.100, 2.930, 5.266)),
        (50, 1, (0.715, 3.334, 7.558)),
        (200, 5, (1.314, 2.830, 4.588)),
        (13, 0, (0.394, 5.192, 16.232)),
    ],
)
def test_points_of_the_operating_characteristic(
    n: int, ac: int, percents: tuple[float, ...]
) -> None:
    points = characteristic(custom_plan(10**6, n, ac))
    found = [100 * point for point in (points.p95, points.p50, points.p10)]
    assert found == pytest.approx(percents, abs=5.1e-4)


@given(
    n=st.integers(1, 300),
    ac=st.integers(0, 21),
    probability=st.floats(0.01, 0.99),
)
def test_a_point_of_the_characteristic_lies_on_it(
    n: int, ac: int, probability: float
) -> None:
    plan = custom_plan(10**6, n + ac, ac)
    fraction = fraction_at(plan, probability)
    back = scipy.stats.binom.cdf(ac, n + ac, fraction)
    assert back == pytest.approx(probability, rel=1e-9)


@given(
    lot=st.integers(2, 3000),
    n=st.integers(1, 400),
    ac=st.integers(0, 21),
    bad=st.integers(0, 200),
)
def test_of_this_very_lot_is_scipys_hypergeometric(
    lot: int, n: int, ac: int, bad: int
) -> None:
    n, bad = min(n, lot), min(bad, lot)
    if ac >= n:
        return
    ours = acceptance_probability(custom_plan(lot, n, ac), bad / lot, of_this_lot=True)
    assert ours == pytest.approx(scipy.stats.hypergeom.cdf(ac, lot, bad, n), rel=1e-9)


def test_in_the_gap_of_reduced_inspection_a_lot_is_accepted() -> None:
    plan = plan_for(500, 1.0, severity=REDUCED)
    assert (plan.sample_size, plan.accept, plan.reject) == (20, 0, 2)
    assert plan.most_accepted == 1
    expected = scipy.stats.binom.cdf(1, 20, 0.01)
    assert acceptance_probability(plan, 0.01) == pytest.approx(expected, rel=1e-12)
    assert "return to normal inspection" in describe_plan(plan)
    assert any("from memory" in doubt for doubt in plan.doubts)


def test_what_is_not_certain_is_said() -> None:
    assert "code letter A: from memory" in describe_plan(plan_for(12, 6.5, "S-4"))
    assert "this cell was not compared" in describe_plan(plan_for(5000, 0.25))
    assert plan_for(5000, 0.25).status is Status.PATTERN
    assert plan_for(5000, 0.25, "S-1", TIGHTENED).status is Status.MEMORY


def test_plans_of_ones_own() -> None:
    plan = custom_plan(500, 20, 1)
    assert (plan.sample_size, plan.accept, plan.reject) == (20, 1, 2)
    assert (plan.status, plan.doubts, plan.full) == (None, (), False)
    assert custom_plan(10, 20, 1) == Plan(
        lot_size=10, sample_size=10, accept=1, reject=2, kind="full", full=True
    )
    assert full_plan(500).sample_size == 500
    assert "100 % inspection" in describe_plan(full_plan(500))
    assert characteristic(full_plan(500)).at_aql is None


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: plan_for(1, 1.0), "at least 2"),
        (lambda: plan_for(500, 1.1), "0.65, 1, 1.5"),
        (lambda: plan_for(500, 1.0, "IV"), "S-4, I, II, III"),
        (lambda: custom_plan(500, 20, 20), "c must be"),
        (lambda: custom_plan(500, 0, 0), "c must be"),
        (lambda: custom_plan(10, 20, 12), "n = 10"),
        (lambda: custom_plan(500, 20, -1), "c must be"),
    ],
)
def test_what_cannot_be_is_said(make: object, said: str) -> None:
    assert callable(make)
    with pytest.raises(UsageError, match=said):
        make()
