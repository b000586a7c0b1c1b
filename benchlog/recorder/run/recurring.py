"""Trouble that comes again and again: told at once, then counted, and when it is over.

A setter that lies may fail each second for days. What came first is told as it came.
The same of the same cause is counted, and the count is told after 1 s, 2 s, 4 s and so
on, each hour in the end, with when it came first and last; once more when it has stayed
away for five minutes. A day of an event each second is 36 events and not 86,400.

The same are texts that differ in digits and quoted words only. Somebody who makes up
new ones each time is told of sixteen causes; what comes beyond is counted together.
"""

import re
from collections.abc import Iterator
from dataclasses import KW_ONLY, dataclass
from typing import Final

from benchlog.units import NS_PER_S, iso_utc

FIRST_S: Final = 1.0  # our rule: doubled with each count
HOUR_S: Final = 3600.0  # our rule: often enough for a night's record
OVER_S: Final = 300.0  # our rule: longer than any pause between two attempts
_MOST_CAUSES: Final = 16  # our rule: more than anybody reads; bounds memory and rows
_VARIES: Final = re.compile(r"'[^']*'|\"[^\"]*\"|[0-9]+")
_OTHERS: Final = "another trouble than those before"


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is to be told: the kind of event, its text, of which instrument, raw bytes.

    The same kind and instrument with the same text but for digits and quoted words is
    the same trouble; with `whole`, the same text alone is.
    """

    kind: str
    text: str
    instrument: str = ""
    raw: bytes = b""
    _: KW_ONLY
    whole: bool = False


@dataclass(slots=True, kw_only=True)
class _Series:
    """One trouble that came more than once, or may: how often, since when, until when.

    Times `_ns` are real and monotonic; `_utc_ns` are for the text.
    """

    latest: Trouble
    first_utc_ns: int
    last_utc_ns: int
    last_ns: int
    due_ns: int
    pause_s: float = FIRST_S
    count: int = 1
    told: int = 1
    mixed: bool = False  # what came beyond the causes that are told one by one


class RecurringTrouble:
    """Tells trouble of one run when it begins, counts it, and tells when it is over."""

    def __init__(self) -> None:
        self._series: dict[tuple[str, str, str], _Series] = {}

    def of(self, trouble: Trouble, utc_ns: int, now_ns: int) -> list[Trouble]:
        """Take in a trouble that came now; return what is to be told of it now."""
        key = self._key(trouble)
        series = self._series.get(key)
        if series is None:
            due_ns = now_ns + round(FIRST_S * NS_PER_S)
            self._series[key] = _Series(
                latest=trouble,
                first_utc_ns=utc_ns,
                last_utc_ns=utc_ns,
                last_ns=now_ns,
                due_ns=due_ns,
                mixed=key[-1] == _OTHERS,
            )
            return [trouble]
        series.latest, series.last_utc_ns, series.last_ns = trouble, utc_ns, now_ns
        series.count += 1
        return list(_counted(series, now_ns))

    def due(self, now_ns: int, *, ended: bool = False) -> list[Trouble]:
        """Return the counts whose time has come, and what is over.

        With `ended` nothing comes any more: whatever is untold is told.
        """
        found: list[Trouble] = []
        for key, series in list(self._series.items()):
            over = ended or now_ns - series.last_ns >= OVER_S * NS_PER_S
            if not over:
                found += _counted(series, now_ns)
                continue
            del self._series[key]
            if series.count > 1:
                found.append(_with(series, "; over" if not ended else ""))
        return found

    def _key(self, trouble: Trouble) -> tuple[str, str, str]:
        text = trouble.text if trouble.whole else without_what_varies(trouble.text)
        key = (trouble.kind, trouble.instrument, text)
        others = (*key[:2], _OTHERS)
        alike = sum(one[:2] == key[:2] for one in self._series)
        full = others in self._series or alike >= _MOST_CAUSES
        return others if full and key not in self._series else key


def without_what_varies(text: str) -> str:
    """Return a text without digits and quoted words: equal for the same trouble."""
    return _VARIES.sub("_", text)


def _counted(series: _Series, now_ns: int) -> Iterator[Trouble]:
    """Yield the count of a series where one is due; the next pause is twice as long."""
    if now_ns < series.due_ns or series.count == series.told:
        return
    series.pause_s = min(2 * series.pause_s, HOUR_S)
    series.due_ns = now_ns + round(series.pause_s * NS_PER_S)
    series.told = series.count
    yield _with(series, "")


def _with(series: _Series, how: str) -> Trouble:
    """Return the latest of a series with how often it came, and when."""
    latest = series.latest
    first, last = iso_utc(series.first_utc_ns), iso_utc(series.last_utc_ns)
    said = f"{latest.text}, and others" if series.mixed else latest.text
    text = f"{said} ({series.count:,} times from {first} to {last}{how})"
    return Trouble(latest.kind, text, latest.instrument, latest.raw)
