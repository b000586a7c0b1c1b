"""A database to make pages of, as the tests of files have it."""

from exchange.conftest import reader, writer

__all__ = ["reader", "writer"]
