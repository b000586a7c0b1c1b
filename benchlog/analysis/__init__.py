"""Arrays in, frozen figures out; no I/O and no clock."""

from benchlog.analysis.laws import ageing_ppm, kind_law, ppm_at
from benchlog.analysis.running import Running
from benchlog.analysis.stats import AvarPoint, RunStats
from benchlog.analysis.uncertainty import MeanUncertainty, mean_uncertainty

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
