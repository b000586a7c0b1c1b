"""The phase that a run was imported from, as a file that any tool reads: time and x.

Times are whole nanoseconds and phases the shortest digits that give the same number, so
that `import --data phase` of the file has each point again, bit for bit.
"""

from collections.abc import Iterator
from pathlib import Path

from benchlog.errors import DataError
from benchlog.exchange.export.exported_fields import pages
from benchlog.exchange.export.reading_texts import utc_text
from benchlog.store.logged_tables import PHASES
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S


def write_phase(reader: Reader, run_id: int, path: Path) -> int:
    """Write the phase points of a run as CSV; return how many.

    Raises DataError when the run was not imported from phase.
    """
    lines = 0
    with path.open("w", encoding="utf-8", newline="\n") as stream:
        for line in _lines(reader, run_id):
            stream.write(line)
            lines += 1
    if not lines:
        raise DataError(
            f"run {run_id} has no phase: only a run that was imported from phase has"
        )
    return lines - 1


def _lines(reader: Reader, run_id: int) -> Iterator[str]:
    head = ""
    for page in pages(reader, PHASES, run_id):
        columns = zip(*map(page.of, ("utc_ns", "mono_ns", "phase_s")), strict=True)
        for utc_ns, mono_ns, phase_s in columns:
            if not head:
                head = "t_s" if utc_ns is None else "utc"
                yield f"{head},phase_s\n"
            time = _seconds(mono_ns) if head == "t_s" else utc_text(utc_ns)
            yield f"{time},{phase_s!r}\n"


def _seconds(mono_ns: int) -> str:
    sign = "-" if mono_ns < 0 else ""
    whole, rest = divmod(abs(mono_ns), NS_PER_S)
    return f"{sign}{whole}.{rest:09d}"
