"""The live terminal screens: they read the store and ask the keeper, nothing else."""

from benchlog.screen.app import ScreenOutcome, run_screen

__all__ = ["ScreenOutcome", "run_screen"]
