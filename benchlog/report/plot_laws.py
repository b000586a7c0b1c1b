"""Pictures of laws: the data, the fitted curve, and what is left over."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.report.plotting import ACCENT, FAINT, INK, new_figure, save

Array = NDArray[np.float64]
_MOST_DOTS = 20_000


def plot_law(
    x: Array, y: Array, curve: Array, path: Path, *, title: str, x_label: str
) -> None:
    """Draw `y` over `x` with the fitted `curve` (same shape), residuals below.

    Parameters
    ----------
    x, y, curve : array, shape (n,)
        Abscissa as `x_label` says, offset and fitted offset in ppm.

    Raises UsageError when the file cannot be written.

    """
    figure, (above, below) = new_figure(2)
    step = max(1, -(-len(x) // _MOST_DOTS))
    order = np.argsort(x, kind="stable")
    above.plot(x[::step], y[::step], ".", color=INK, markersize=2, label="readings")
    above.plot(x[order], curve[order], "-", color=ACCENT, linewidth=1.6, label="law")
    above.set(ylabel="offset, ppm", title=title)
    above.legend(frameon=False)
    below.plot(x[::step], (y - curve)[::step], ".", color=FAINT, markersize=2)
    below.axhline(0.0, color=ACCENT, linewidth=0.8)
    below.set(xlabel=x_label, ylabel="left over, ppm")
    rest = y - curve
    words = (
        f"Offset from {y.min():.4g} to {y.max():.4g} ppm over {x_label} from "
        f"{x.min():.4g} to {x.max():.4g}, with the fitted law; below, what is left "
        f"over: {float(np.std(rest)):.3g} ppm rms."
    )
    save(figure, path, title, words)
