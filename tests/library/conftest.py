"""A database that scripts read."""

from evaluation.conftest import stage

__all__ = ["stage"]
