"""The comparison with kept texts: last digits may differ, and nothing else."""

import pytest
from frozen.frozen_program import as_kept

KEPT = ["offset 1.25 ppm", '"u_ppm": 0.123456789012345,', '"p": 1.5e-07', "end"]


def test_last_digits_are_those_of_the_processor():
    told = [KEPT[0], '"u_ppm": 0.123456789012399,', '"p": 1.5000000001e-07', "end"]
    assert as_kept(KEPT, told) == KEPT


@pytest.mark.parametrize(
    "other",
    [
        '"u_ppm": 0.123457789012345,',
        '"u_ppm": -0.123456789012345,',
        '"u_hz": 0.123456789012345,',
        '"u_ppm": 0.1234,',
    ],
)
def test_anything_else_differs(other):
    told = [KEPT[0], other, *KEPT[2:]]
    assert as_kept(KEPT, told) == told


def test_lines_that_came_or_went_differ():
    told = [KEPT[0], "more", *KEPT[1:3]]
    assert as_kept(KEPT, told) == told
