"""benchlog: a live bench measurement logger for clock sources."""

__version__ = "0.1.0"
__all__ = ["__version__"]
