"""What a simulated instrument truly served: an audit holds the database against it."""

import json
import threading
from collections import deque
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import IO, Final

_KEPT: Final = 100_000  # our rule: bounds memory


@dataclass(frozen=True, slots=True, kw_only=True)
class ServedValue:
    """One value that an instrument gave.

    Parameters
    ----------
    instrument : str
        Its name on the bench.
    mono_ns : int
        Bench time at the end of the gate.
    text : str
        The value as the instrument put it.
    true_hz : float | None
        What the quantity truly was over the gate; None where there was none.
    fault : str
        The misbehaviour that spoilt the answer, empty for a sound one.
    sent_ns : int
        Bench time when the last byte had been handed to the line; 0 if it never was.

    """

    instrument: str
    mono_ns: int
    text: str
    true_hz: float | None = None
    fault: str = ""
    sent_ns: int = 0


class Truth:
    """A bounded memory of what was sent, and a file of all of it if asked for."""

    def __init__(self, path: Path | None = None, kept: int = _KEPT) -> None:
        self._recent: deque[ServedValue] = deque(maxlen=kept)
        self._lock = threading.Lock()
        self._file: IO[str] | None = None
        if path is not None:
            self._file = path.open("a", encoding="utf-8", buffering=1)

    def add(self, served: ServedValue, sent_ns: int) -> None:
        """Record one value as sent; one JSON object a line in the file."""
        row = replace(served, sent_ns=sent_ns)
        with self._lock:
            self._recent.append(row)
            if self._file is not None:
                self._file.write(json.dumps(asdict(row)) + "\n")

    def served(self, instrument: str | None = None) -> tuple[ServedValue, ...]:
        """Return what is remembered, oldest first, of one instrument or of all."""
        with self._lock:
            rows = tuple(self._recent)
        return tuple(r for r in rows if instrument in (None, r.instrument))

    def close(self) -> None:
        """Close the file; later values are only remembered."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None
