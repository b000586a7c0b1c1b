"""The live terminal screens: they read the store and ask the keeper, nothing else."""

from benchlog.screen.opening import run_screen
from benchlog.screen.screen_host import ScreenOutcome

__all__ = ["ScreenOutcome", "run_screen"]
