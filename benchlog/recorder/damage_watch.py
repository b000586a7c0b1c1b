"""Notices that the open database was overwritten: its log, or its pages.

SQLite tells of such damage only when it happens to read the place, and of a log that
was overwritten only after the next start, when the rows behind the damage are gone. So
a thread beside the loop looks at both again and again: it waits for the disk, and not
the loop.
"""

import threading
from pathlib import Path
from typing import Final

from benchlog.clock import Deadline, HostClock, host_deadline
from benchlog.store.files import wal_of
from benchlog.store.integrity.examination import look_at_pages
from benchlog.store.integrity.log_check import LogState, log_state, look_at_log
from benchlog.units import NS_PER_S

EVERY_S: Final = 20.0  # our rule: damage is noticed within a minute
_SHARE: Final = 20.0  # our rule: of a large database one look in 20 times its length


class DamageWatch:
    """Looks at one database in a thread; the loop asks it, and never waits for it."""

    def __init__(self, path: Path, every_s: float = EVERY_S) -> None:
        self._path, self._every_s = path, every_s
        self._due: Deadline = host_deadline(every_s)
        self._thread: threading.Thread | None = None
        self._found: str | None = None
        self._log = LogState()
        self.looks = 0
        """How many looks found the database whole."""

    def look(self) -> str | None:
        """Return what the last look found, once: "" is whole, None: nothing new."""
        if self._thread is not None:
            if self._thread.is_alive():
                return None
            self._thread = None
            found, self._found = self._found, None
            self.looks += found == ""
            return found
        if self._due.passed:
            self._thread = threading.Thread(target=self._look, daemon=True)
            self._thread.start()
        return None

    def _look(self) -> None:
        began_ns = HostClock().mono_ns()
        self._found = self._log_found() or look_at_pages(self._path)
        took_s = (HostClock().mono_ns() - began_ns) / NS_PER_S
        self._due = host_deadline(max(self._every_s, _SHARE * took_s))

    def _log_found(self) -> str:
        """Return what is wrong with the log; also where its end is gone."""
        found = look_at_log(self._path)
        if found:
            return found
        before = self._log
        try:
            self._log = log_state(wal_of(self._path))
        except OSError:
            return ""
        same = before.generation == self._log.generation
        if same and self._log.sound < before.sound:
            lost = before.sound - self._log.sound
            return f"the last {lost:,} pages of its log were overwritten"
        return ""
