"""What the notes of a trim make of a chip, and whether it was brought in."""

import pytest

from benchlog.evaluation.trimmed_lot import TrimmedChip, burn_of
from benchlog.model import Decision
from benchlog.model.trims import (
    AFTER_BURN,
    AFTER_POWER_CYCLE,
    BURN_BEGUN,
    BURNED,
    DIFFERS,
    SET,
    TrimNote,
)
from benchlog.verdict.lot.lot_decision import DeviceResult

VERIFIED = (SET, BURN_BEGUN, BURNED, AFTER_BURN, AFTER_POWER_CYCLE)


@pytest.mark.parametrize(
    ("told", "burn", "why_not"),
    [
        ((SET,), "not burned", ""),
        ((SET, BURN_BEGUN, BURNED), "burned", ""),
        (VERIFIED, "burned, verified after a power cycle", ""),
        ((SET, BURN_BEGUN), "burn begun", "burn begun, whether it took is not known"),
        ((*VERIFIED, DIFFERS), "burned, runs elsewhere", "burned, runs elsewhere"),
    ],
)
def test_a_chip_of_which_a_burn_leaves_doubt_is_not_brought_in(told, burn, why_not):
    """Before, one whose burn was cut was brought in, "not burned"."""
    assert burn_of(TrimNote(what=what, code=55) for what in told) == burn
    result = DeviceResult(device="C-1", run=1, word=Decision.PASS)
    chip = TrimmedChip(result=result, code=55, burn=burn)
    assert chip.why_not == why_not
    assert chip.brought_in == (not why_not)
