"""The connection to a central database, and what its errors mean to a person."""

import importlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from benchlog.errors import BenchlogError, ForwardError, MissingExtraError
from benchlog.forwarding.address import Address
from benchlog.forwarding.postgres.tables import SCHEMA

if TYPE_CHECKING:
    import psycopg

_CONNECT_S: Final = 10  # our rule: a server in the house answers within 1 s
_SILENT_S: Final = 30
"""A network that was cut is given up after this; our rule: a switch restarts sooner."""
_KEEPALIVES: Final = {
    "keepalives": 1,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 4,
    "tcp_user_timeout": _SILENT_S * 1_000,
}
_SESSION: Final = (
    f"set search_path = {SCHEMA}, pg_catalog",
    "set client_min_messages = error",
    "set timezone = 'UTC'",
    "set lock_timeout = '30s'",
    # a sender that was cut off lets go of its rows and its lock
    f"set idle_in_transaction_session_timeout = '{_SILENT_S}s'",
    f"set tcp_keepalives_idle = {_SILENT_S // 3}",
    "set tcp_keepalives_interval = 5",
    "set tcp_keepalives_count = 4",
)
_CREDENTIALS: Final = (
    "it does not take the credentials; set PGUSER and PGPASSWORD, or write ~/.pgpass "
    "(of mode 600) or a service file"
)
_CHANGED: Final = (
    "something over there is not as `benchlog forward --create` made it; somebody has "
    "changed it"
)
_SENTENCES: Final = {
    "28": _CREDENTIALS,
    "3D000": "there is no such database; ask its keeper, or make it with createdb",
    "3F000": _CHANGED,
    "42501": "this user may not do that there; ask for the role benchlog_sender",
    "42": _CHANGED,
    "53100": "its disk is full; nothing of this batch is there, and it is sent again",
    "53300": "it takes no more connections; try again later",
    "53": "it has no room or memory left; try again later",
    "55P03": "somebody holds a lock on its tables; try again later",
    "57P04": "the database was dropped",
    "57": "it is shutting down or restarting; try again later",
    "40": "another session was in the way; try again",
    "08": "the connection was lost",
    "22": "it does not take a value",
    "23": "it does not take a row",
    "25": "it does not take writes now, or gave up on a silent sender",
    "54": "it does not take a value of this size",
}


def driver() -> Any:
    """Return psycopg. Raises MissingExtraError."""
    try:
        return importlib.import_module("psycopg")
    except ImportError as error:
        raise MissingExtraError("PostgreSQL needs psycopg", "postgres") from error


@contextmanager
def connected(address: Address) -> "Iterator[psycopg.Connection[Any]]":
    """Open a connection for the length of a `with` block; each statement commits.

    What it raises is translated: ForwardError with the server's own first line.
    """
    psycopg = driver()
    connection = None
    try:
        connection = psycopg.connect(
            address.text,
            autocommit=True,
            application_name="benchlog forward",
            connect_timeout=_CONNECT_S,
            **_KEEPALIVES,
        )
        connection.execute("; ".join(_SESSION))
        yield connection
    except psycopg.Error as error:
        raise translated(error, address) from error
    finally:
        if connection is not None:
            connection.close()


def translated(error: "psycopg.Error", address: Address) -> BenchlogError:
    """Return what an error of the driver means, with what to do."""
    code = error.sqlstate or ""
    lines = [line for line in str(error).splitlines() if line.strip()]
    told = lines[0].strip() if lines else type(error).__name__
    meaning = _SENTENCES.get(code) or _SENTENCES.get(code[:2]) or _unreached(told)
    return ForwardError(f"{address.shown}: {meaning} ({told})")


def _unreached(told: str) -> str:
    """Return what an error without a code means: the connection was never there."""
    if "password" in told or "authentication" in told:
        return _CREDENTIALS
    if "does not exist" in told and "database" in told:
        return _SENTENCES["3D000"]
    if "invalid" in told and "URI" in told:
        return "that is no address that the driver understands"
    return "the server cannot be reached; what was not sent waits here"
