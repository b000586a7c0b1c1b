"""Calibrations that are due: said in the month before, and ever after."""

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from typing import Final

from benchlog.model import InstrumentSpec
from benchlog.units import NS_PER_S

WARN_DAYS: Final = 30


def due_words(instruments: Iterable[InstrumentSpec], at_utc_ns: int) -> Iterator[str]:
    """Yield a sentence for each instrument whose calibration is due soon, or was."""
    today = datetime.fromtimestamp(at_utc_ns // NS_PER_S, UTC).date()
    for spec in instruments:
        if not spec.calibration_due:
            continue
        days = (date.fromisoformat(spec.calibration_due) - today).days
        if days < 0:
            yield (
                f"the calibration of {spec.name!r} was due on {spec.calibration_due}, "
                f"{_counted(-days)} ago"
            )
        elif days <= WARN_DAYS:
            yield (
                f"the calibration of {spec.name!r} is due on {spec.calibration_due}, "
                f"in {_counted(days)}"
            )


def _counted(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"
