"""How a characteristic is spread over the devices of a rack, beside its limit."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from benchlog.evaluation.rack.wording import limit_text
from benchlog.model import Decision
from benchlog.pages.content import Chart, printed
from benchlog.plotting.pictures import ACCENT, INK, new_figure
from benchlog.units import three_digits
from benchlog.verdict.rack.findings import AT_LEAST, FoundCharacteristic

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LEAST_COUNTED: Final = 8  # our rule: of fewer, dots tell more than bars
_NEAR: Final = 4.0  # a limit is drawn within so many spans of the data; our rule
_NAME: Final = 14
_STYLES: Final = {
    Decision.PASS: ("o", INK, INK),
    Decision.UNDECIDED: ("D", INK, "none"),
    Decision.FAIL: ("X", ACCENT, ACCENT),
    None: ("o", INK, "none"),
}
_SIGNED: Final = frozenset({"offset-at-reference", "retrace", "ageing"})

Found = tuple[str, FoundCharacteristic]


def spread_chart(name: str, lines: Sequence[Found]) -> Chart | None:
    """Draw a histogram of a characteristic, or a dot with U for each of few devices.

    `lines` has device and characteristic. None when fewer than two have a figure.
    """
    found = [(device, one) for device, one in lines if one.value is not None]
    if len(found) < 2:
        return None
    unit = found[0][1].unit
    values = np.array([one.value for _, one in found], np.float64)
    counted = len(found) >= _LEAST_COUNTED
    height = 2.4 if counted else 0.9 + 0.28 * len(found)
    figure, (axes,) = new_figure(size=(7.2, height))
    if counted:
        _bars(axes, values)
    else:
        _dots(axes, found)
    said = _limits(axes, name, found, values)
    axes.set_xlabel(f"{name}, {unit}")
    kind = "devices with so much" if counted else "each device with its U (95 %)"
    return Chart(f"{name}: {kind}{said}", _in_words(name, found, values), figure)


def _bars(axes: "Axes", values: "np.ndarray") -> None:
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415 - heavy

    bins = max(5, min(24, round(2 * np.sqrt(len(values)))))
    counts, edges = np.histogram(values, bins=bins)
    axes.stairs(counts, edges, fill=True, color=INK, alpha=0.55)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_ylabel("devices")


def _dots(axes: "Axes", found: Sequence[Found]) -> None:
    for row, (_, one) in enumerate(found):
        marker, edge, face = _STYLES[one.verdict]
        axes.errorbar(
            [one.value or 0.0],
            [-row],
            xerr=[one.u or 0.0],
            fmt=marker,
            color=edge,
            markerfacecolor=face,
            markersize=6,
            capsize=3,
        )
    axes.set_yticks([-row for row in range(len(found))], [_short(d) for d, _ in found])
    axes.set_ylim(0.5 - len(found), 0.5)
    axes.grid(visible=False, axis="y")


def _short(device: str) -> str:
    name = printed(device)
    return name if len(name) <= _NAME else f"{name[: _NAME - 1]}…"


def _limits(
    axes: "Axes", name: str, found: Sequence[Found], values: "np.ndarray"
) -> str:
    """Draw the limits that are near; return what the caption tells of them."""
    limit = found[0][1].limit
    if limit is None:
        return "; nothing is promised"
    told = f"{limit_text(found[0][1])} {found[0][1].unit}"
    reach = max(float(np.abs(values).max()), float(np.ptp(values)), 1e-12)
    near = name in AT_LEAST or limit <= _NEAR * reach
    if near:
        for side in (-limit, limit) if name in _SIGNED else (limit,):
            axes.axvline(side, color=ACCENT, linestyle="--", linewidth=1.4)
    return f"; limit {told} {'dashed' if near else 'outside the picture'}"


def _in_words(name: str, found: Sequence[Found], values: "np.ndarray") -> str:
    low, high = found[int(values.argmin())], found[int(values.argmax())]
    unit = low[1].unit
    failed = sum(one.verdict is Decision.FAIL for _, one in found)
    return (
        f"{name} of {len(found)} devices from {three_digits(float(values.min()))} "
        f"{unit} ({printed(low[0])}) to {three_digits(float(values.max()))} {unit} "
        f"({printed(high[0])}); {failed} beyond the limit."
    )
