"""What a stranger's record tells of a soak: no figure comes of what no soak has."""

import pytest

from benchlog.store.snapshot import UNREADABLE, learnt_from, learnt_of, timebase_from

LEARNT = {
    "run_id": 1, "device": "S-1", "began_utc_ns": 1, "ended_utc_ns": 2,
    "length": 600.0, "gate_s": 1.0, "tau0_s": 1.0, "m": [1, 2, 4],
    "avar_ppm2": [4e-4, 2e-4, 1e-4], "freedom": [500.0, 400.0, 200.0],
}  # fmt: skip


def test_what_a_soak_has_is_taken() -> None:
    found = learnt_from(LEARNT)
    assert found is not None and found.m == (1, 2, 4)


@pytest.mark.parametrize(
    "odd",
    [
        {"avar_ppm2": [4e-4, 5e-324, 1e-4]},
        {"avar_ppm2": [4e-4, 1e29, 1e-4]},
        {"freedom": [2**63 - 1, 400.0, 200.0]},
        {"freedom": [1e-300, 400.0, 200.0]},
        {"m": [7, 7, 7]},
        {"m": [0, 1, 2]},
    ],
    ids=str,
)
def test_what_none_has_is_not(odd: dict[str, object]) -> None:
    """Before, numpy's warnings came with machine paths, and octaves were mixed up."""
    with pytest.raises(UNREADABLE, match="no Allan variances"):
        learnt_from({**LEARNT, **odd})
    assert learnt_of({"learnt": {**LEARNT, **odd}}) is None


def test_no_figure_has_a_billionth_of_a_degree_of_freedom() -> None:
    known = {"status": "checked", "offset_ppm": 0.0, "u_ppm": 0.1}
    assert timebase_from({**known, "degrees_of_freedom": 1.0}).u_ppm == 0.1
    with pytest.raises(UNREADABLE, match="degrees_of_freedom"):
        timebase_from({**known, "degrees_of_freedom": 1e-9})
