"""The connection to a central database, and what its errors mean to a person."""

import importlib
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from benchlog.clock import host_deadline
from benchlog.errors import BenchlogError, ForwardError, MissingExtraError
from benchlog.forwarding.address import Address
from benchlog.forwarding.postgres.tables import SCHEMA
from benchlog.process_memory import process_memory
from benchlog.units import format_duration

if TYPE_CHECKING:
    import psycopg

_CONNECT_S: Final = 10  # our rule: a server in the house answers within 1 s
_SILENT_S: Final = 30
"""A network that was cut is given up after this; our rule: a switch restarts sooner."""
_ANSWER_S: Final = 120.0
"""An answer that takes longer is not waited for. Something on the way may acknowledge
all that is sent and pass nothing on. Our rule: a batch takes 0.2 s, and a lock over
there is given up after 30 s."""
_WHOLE_ANSWER_S: Final = 600.0
"""Nor is one that comes and comes; our rule: five times a silence."""
_MOST_OCTETS: Final = 2**26
"""Memory that one answer may take. Our rule: the longest is a line for each run that
goes on."""
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
    "53100": "its disk is full; nothing of this batch is there, it waits here",
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


@cache
def _impatient() -> Any:
    """Return the driver's connection, with a limit to how long it waits."""
    psycopg = driver()

    class ImpatientConnection(psycopg.Connection):  # type: ignore[misc, name-defined]
        def wait(
            self, gen: Generator[Any, Any, Any], *rest: Any, **more: Any
        ) -> object:
            try:
                with _little_memory():
                    return super().wait(_not_for_ever(gen), *rest, **more)
            except TimeoutError as error:
                self.pgconn.finish()  # nothing more is asked on it
                raise psycopg.OperationalError(str(error)) from None

    return ImpatientConnection


def _not_for_ever(steps: Generator[Any, Any, Any]) -> Generator[Any, Any, Any]:
    """Pass on the steps of a wait. Raises TimeoutError when nothing moves for long.

    Or when an answer has no end, or takes too much memory.

    A step yields what it waits for, and is sent what is ready; nothing, now and then.
    """
    deadline, end = host_deadline(_ANSWER_S), host_deadline(_WHOLE_ANSWER_S)
    before, ready = process_memory().resident, None
    try:
        while True:
            wanted = steps.send(ready)
            ready = yield wanted
            if process_memory().resident - before > _MOST_OCTETS:
                most = f"{_MOST_OCTETS // 2**20} MB"
                raise TimeoutError(f"its answer takes more than {most} of memory")
            if end.passed:
                raise TimeoutError("its answer has no end")
            if ready:
                deadline = host_deadline(_ANSWER_S)
            elif deadline.passed:
                raise TimeoutError(f"no answer for {format_duration(_ANSWER_S)}")
    except StopIteration as done:
        return done.value


@contextmanager
def _little_memory() -> Iterator[None]:
    """Refuse twice the memory of an answer in here: libpq reads on while octets come.

    On Linux; elsewhere nothing is refused.
    """
    used = process_memory().asked
    if not used:
        yield
        return
    import resource  # noqa: PLC0415 - POSIX has it, other systems do not

    before, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = used + 2 * _MOST_OCTETS
    if before == resource.RLIM_INFINITY or wanted < before:
        resource.setrlimit(resource.RLIMIT_AS, (wanted, most))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (before, most))


@contextmanager
def connected(address: Address) -> "Iterator[psycopg.Connection[Any]]":
    """Open a connection for the length of a `with` block; each statement commits.

    What it raises is translated: ForwardError with the server's own first line.
    """
    psycopg = driver()
    connection = None
    try:
        connection = _impatient().connect(
            address.text,
            autocommit=True,
            application_name="benchlog forward",
            connect_timeout=_CONNECT_S,
            **_KEEPALIVES,
        )
        connection.add_notify_handler(lambda _: None)  # else they are kept for it
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
    if told.startswith("its answer") or "memory" in told:
        return "what answers there is not as PostgreSQL with our tables would"
    if "invalid" in told and "URI" in told:
        return "that is no address that the driver understands"
    return "the server cannot be reached; what was not sent waits here"
