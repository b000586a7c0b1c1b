"""benchlog: a live bench measurement logger for clock sources.

As a library, for notebooks and scripts:

    import benchlog

    for row in benchlog.runs("bench.db", part="quartz-16mhz-30ppm"):
        print(row.device, row.offset_ppm, row.verdict)
    table = benchlog.readings("bench.db", 12).to_arrow()
    print(benchlog.figures("bench.db", 12).offset_ppm)
    benchlog.plot("bench.db", 12).savefig("run-12.svg")

Each of them takes a path, or what `benchlog.open` returned. These five names stay as
they are within a version x of x.y.z; `benchlog help scripts` tells more.
"""

import importlib
from typing import TYPE_CHECKING, Any

from benchlog.version import __version__

if TYPE_CHECKING:
    from benchlog.library import figures, open, plot, readings, runs

__all__ = ["__version__", "figures", "open", "plot", "readings", "runs"]


def __getattr__(name: str) -> Any:
    """Load what a script asks for; a command that needs none of it stays quick."""
    if name in __all__:
        return getattr(importlib.import_module("benchlog.library"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
