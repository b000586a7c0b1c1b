"""The columns of a stability table: the same on terminal, screen and page.

In the order in which they are read: at which averaging time, how large, between which
bounds; then from how many differences that is, and which noise it tells of.
"""

from typing import Final

from benchlog.analysis.stability.estimation import StabilityRow
from benchlog.units import as_stated, interval_texts, three_digits

ALIGNED: Final = "rrlrl"
"""How the columns stand: figures to the right, texts to the left."""


def stability_heads(kind: str) -> tuple[str, ...]:
    """Return the heads of the columns for a kind of deviation."""
    return ("tau, s", kind, "95 % interval", "n", "noise")


def stability_cells(row: StabilityRow) -> tuple[str, ...]:
    """Return a row's cells, its figures to the digits that the interval is worth."""
    figures = (row.value, row.low, row.high)
    value, low, high = (
        "-" if x is None else three_digits(x, powers=True) for x in figures
    )
    if row.value is not None and row.low is not None and row.high is not None:
        value, low, high = interval_texts(
            row.value, row.low, row.high, signed=False, powers=True
        )
    known = row.low is not None or row.high is not None
    interval = f"{low} to {high}" if known else "-"
    return (as_stated(row.tau_s, 6), value, interval, f"{row.n:,}", row.noise_text)
