"""`import benchlog`: open a database, its runs, readings, figures and pictures."""

from benchlog.library.pictures import plot
from benchlog.library.recorded import figures, open, readings, runs

__all__ = ["figures", "open", "plot", "readings", "runs"]
