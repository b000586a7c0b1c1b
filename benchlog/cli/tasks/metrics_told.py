"""Serving metrics, alone or beside a soak, and telling where."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from benchlog.cli.printing import say
from benchlog.metrics.addresses import ServedAt, served_at
from benchlog.metrics.serving import serve_until_told, serving


@contextlib.contextmanager
def metrics_beside(database: Path, address: str) -> Iterator[None]:
    """Serve the figures of a database while something else is done.

    Raises UsageError for what is no address, or cannot be used.
    """
    with serving(database, served_at(address)) as at:
        _say_where(at)
        yield


def serve_metrics(database: Path, address: str) -> None:
    """Serve the figures of a database until Ctrl-C or SIGTERM. Raises UsageError."""
    serve_until_told(database, served_at(address), _say_where)


def _say_where(at: ServedAt) -> None:
    say(f"figures are served at http://{at.text}/metrics")
    if not at.is_local:
        say(
            "Whoever can reach this computer can read them, unencrypted; for less name "
            "no host and use a tunnel."
        )
