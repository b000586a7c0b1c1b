"""From a run in the database to what its response is worked out of."""

import numpy as np

from benchlog.analysis.response import Cut, Observed, supply_cuts
from benchlog.model import EventKind, Run
from benchlog.report.study import temperature_data
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

SUPPLY = "supply"


def observed(reader: Reader, run: Run) -> tuple[Observed, tuple[Cut, ...]]:
    """Return the readings of a run, times in s from its first, and where it is cut.

    Cuts are the operator's marks; without any, the steps of a measured supply.
    """
    data = temperature_data(reader, [run])
    first_s = float(data.t_s[0]) if len(data.t_s) else 0.0
    volts_t, volts = _supply(reader, run, first_s)
    t_s = data.t_s - first_s
    known = np.interp(t_s, volts_t, volts) if len(volts) else np.full(len(t_s), np.nan)
    marks = tuple(
        Cut(event.utc_ns / NS_PER_S - first_s, event.text or "mark")
        for _, event in reader.events(run.id)
        if event.kind == EventKind.MARK
    )
    cuts = marks or supply_cuts(volts_t, volts)
    return Observed(t_s, data.offset_ppm, data.ambient_c, known), cuts


def _supply(reader: Reader, run: Run, first_s: float) -> tuple[np.ndarray, np.ndarray]:
    found = [one for _, one in reader.conditions(run.id) if one.quantity == SUPPLY]
    times = np.array([one.utc_ns / NS_PER_S - first_s for one in found], float)
    return times, np.array([one.value for one in found], float)
