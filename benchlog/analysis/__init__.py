"""Arrays in, frozen figures out; no I/O and no clock."""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from benchlog.analysis.laws import ageing_ppm, kind_law, ppm_at
    from benchlog.analysis.running import Running
    from benchlog.analysis.stats import AvarPoint, RunStats
    from benchlog.analysis.uncertainty import MeanUncertainty, mean_uncertainty

_ROOMS: Final = {
    "AvarPoint": "stats",
    "MeanUncertainty": "uncertainty",
    "RunStats": "stats",
    "Running": "running",
    "ageing_ppm": "laws",
    "kind_law": "laws",
    "mean_uncertainty": "uncertainty",
    "ppm_at": "laws",
}
"""Where each name is: loaded when used, so that a list of runs loads none of it."""
__all__ = [
    "AvarPoint",
    "MeanUncertainty",
    "RunStats",
    "Running",
    "ageing_ppm",
    "kind_law",
    "mean_uncertainty",
    "ppm_at",
]


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return getattr(importlib.import_module(f"{__name__}.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
