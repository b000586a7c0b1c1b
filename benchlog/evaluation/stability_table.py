"""The columns of a stability table: the same on terminal, screen and page.

In the order in which they are read: at which averaging time, how large, between which
bounds; then from how many differences that is, and which noise it tells of.
"""

from typing import Final

from benchlog.analysis.stability.estimation import StabilityRow

ALIGNED: Final = "rrlrl"
"""How the columns stand: figures to the right, texts to the left."""


def stability_heads(kind: str) -> tuple[str, ...]:
    """Return the heads of the columns for a kind of deviation."""
    return ("tau, s", kind, "95 % interval", "n", "noise")


def stability_cells(row: StabilityRow, decimals: int) -> tuple[str, ...]:
    """Return a row's cells, its figures with `decimals` digits behind the point."""
    value, low, high = (
        "-" if figure is None else f"{figure:.{decimals}e}"
        for figure in (row.value, row.low, row.high)
    )
    known = row.low is not None or row.high is not None
    interval = f"{low} to {high}" if known else "-"
    return (f"{row.tau_s:.6g}", value, interval, f"{row.n:,}", row.noise_text)
