"""benchlog: a live bench measurement logger for clock sources.

As a library, for notebooks and scripts:

    with benchlog.open("bench.db") as records:
        run = records.run(12)
        print(run.figures().offset_ppm, run.readings().frequency_hz.mean())
"""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.evaluation.records import Records

__version__ = "0.1.0"
__all__ = ["__version__", "open"]


def open(path: "str | Path") -> "Records":
    """Open a database to read its runs as arrays and figures.

    Close what is returned, or use it in a `with` block. Raises StoreError when the file
    is missing or not ours.
    """
    from benchlog.evaluation.records import Records  # noqa: PLC0415 - loads numpy

    return Records.open(path)
