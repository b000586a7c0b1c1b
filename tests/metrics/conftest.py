"""A database whose runs are told as metrics."""

from evaluation.conftest import stage

__all__ = ["stage"]
