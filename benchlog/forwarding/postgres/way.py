"""A central database as a place to send to, and how far it has been sent."""

from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, Final
from uuid import UUID

from benchlog.forwarding.address import Address
from benchlog.forwarding.forwarding import ForwardReport, KindStatus
from benchlog.forwarding.postgres import schema
from benchlog.forwarding.postgres.sender import Sender, marks_of
from benchlog.forwarding.postgres.server import connected, driver, translated
from benchlog.forwarding.postgres.tables import BULK, SMALL
from benchlog.store.tail.tail_reader import TailReader

_MARKS: Final = """
select kind, up_to, extract(epoch from now() - all_sent_at)::double precision
from benchlog.watermarks where source = %s
"""


class PostgresWay:
    """A way into a central database, for one database of a bench."""

    def __init__(
        self,
        address: Address,
        reader: TailReader,
        *,
        software: str,
        readings: bool,
        progress: Callable[[str, int], None] | None = None,
    ) -> None:
        self._address, self._reader = address, reader
        self._readings, self._progress = readings, progress
        self._stack = ExitStack()
        self._session = self._stack.enter_context(connected(address))
        self._sender = Sender(self._session, address, reader, software)
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        try:
            self._sender.begin()
        except driver().Error as error:
            raise translated(error, self._address) from error

    def send(self, report: ForwardReport) -> None:
        """Send all that is committed by now. Raises ForwardError."""
        try:
            self._sender.round(
                report.sent, readings=self._readings, progress=self._progress
            )
        except driver().Error as error:
            raise translated(error, self._address) from error

    def status(self) -> dict[str, KindStatus]:
        """Return how far each kind has been sent. Raises ForwardError."""
        try:
            return _status(self._session, self._reader, self._readings)
        except driver().Error as error:
            raise translated(error, self._address) from error

    def close(self) -> None:
        """Let go of the session."""
        self._stack.close()


def status_of(address: Address, reader: TailReader) -> dict[str, KindStatus]:
    """Return how far a database has been sent, without sending.

    Readings are named where they were ever sent. Raises ForwardError, also for what
    could not be sent because another database has the same UUID.
    """
    with connected(address) as session:
        schema.look(session, address)
        marks_of(session, address, reader)
        return _status(session, reader, None)


def create(address: Address, software: str) -> list[str]:
    """Make or renew the schema over there; return what was refused of it.

    Raises ForwardError.
    """
    with connected(address) as session:
        return schema.create(session, address, software)


def _status(
    session: Any, reader: TailReader, readings: bool | None
) -> dict[str, KindStatus]:
    source = UUID(reader.database_uid())
    rows = session.execute(_MARKS, (source,)).fetchall()
    marks = {kind: (up_to, age_s) for kind, up_to, age_s in rows}
    if readings is None:
        readings = any(marks.get(kind, (0, 0))[0] for kind in BULK)
    found = {}
    for kind in (*SMALL, *(BULK if readings else ())):
        up_to, age_s = marks.get(kind, (0, 0.0))
        waiting = max(0, reader.last_row(kind) - up_to)
        lag_s = max(0.0, age_s) if waiting else 0.0
        found[kind] = KindStatus(waiting=waiting, lag_s=lag_s)
    return found
