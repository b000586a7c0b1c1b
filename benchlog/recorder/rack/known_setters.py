"""Who the setters of a run were: told in its events, compared when it is gone on with.

Each segment of a run has an event for each setter. The newest one counts, so that a
setter that was exchanged is the right one from then on. A run of before has none, and
whoever answers is taken then.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Final

from benchlog.model import Event, EventKind
from benchlog.units import printable

_NAME: Final = "setter"
_IS: Final = "is"


def words_of(name: str, identity: str, before: str = "") -> tuple[str, bytes]:
    """Return text and raw octets of the event that tells who a setter is.

    `before` is who it was, where another one answers by now.
    """
    text = f"setter {name!r} is {printable(identity)}"
    if before not in ("", identity):
        text += f", exchanged for {printable(before)}"
    return text, json.dumps({_NAME: name, _IS: identity}).encode()


def known_setters(events: Iterable[tuple[int, Event]]) -> dict[str, tuple[int, str]]:
    """Return by name who the setters of a run were last, with the event's id."""
    found: dict[str, tuple[int, str]] = {}
    for number, event in events:
        if event.kind != EventKind.SETTER or not event.raw:
            continue
        try:
            told = json.loads(event.raw)
        except ValueError:
            continue
        if isinstance(told, dict) and isinstance(told.get(_IS), str):
            found[str(told.get(_NAME))] = number, told[_IS]
    return found


def newest(several: Iterable[Mapping[str, tuple[int, str]]]) -> dict[str, str]:
    """Return who the setters were last of runs that were kept together."""
    rows = sorted((at, name, who) for one in several for name, (at, who) in one.items())
    return {name: who for _, name, who in rows}
