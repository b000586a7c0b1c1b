"""The columns of a stability table, in the order in which they are read."""

import numpy as np
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import stability
from benchlog.evaluation.stability_table import (
    ALIGNED,
    stability_cells,
    stability_heads,
)


def test_time_deviation_bounds_number_noise() -> None:
    values = seeded_generator(9).normal(0.0, 1e-9, 400)
    found = stability(Series(values, 1.0), "adev")
    heads = stability_heads(found.kind)
    assert heads == ("tau, s", "adev", "95 % interval", "n", "noise")
    row = found.rows[0]
    tau, value, interval, number, noise = stability_cells(row)
    assert (float(tau), float(value)) == (1.0, np.round(row.value, 12))
    low, high = (float(text) for text in interval.split(" to "))
    assert low < float(value) < high
    assert (number, noise) == ("399", row.noise_text)
    assert len(ALIGNED) == len(heads)


def test_what_is_not_known_is_a_dash() -> None:
    values = seeded_generator(9).normal(0.0, 1e-9, 20)
    found = stability(Series(values, 1.0), "mtie")
    assert {stability_cells(row)[2] for row in found.rows} == {"-"}
