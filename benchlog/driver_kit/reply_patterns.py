"""Patterns of replies: none may hold up its instrument, whatever the line.

A pattern comes out of a dialect file, a line from an instrument: both are strangers'.
Python's matcher tries one way after the other, and some patterns have more ways than
there is time for. No look at the text of a pattern finds them all (options side by
side, a comment or a blank before a repeat), so a pattern is tried before it is used: on
lines made to be nearly right for it, each a little longer than the one before, until
the longest reply is reached or a line takes too long. What is found out so costs
milliseconds. Behind that, no single line is matched for longer than `LIMIT_S`.
"""

import re
import signal
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from re import _constants as ops  # type: ignore[attr-defined]
from re import _parser  # type: ignore[attr-defined]
from types import FrameType
from typing import Any, Final

from benchlog.clock import cpu_s
from benchlog.units import as_stated

MOST_REPLY: Final = 512
"""Characters of a reply that holds a number; our rule, no instrument writes more."""
MOST_COLUMNS: Final = 64
"""Fields of a reply, with commas, semicolons or tabs between; our rule, as above."""
LIMIT_S: Final = 0.1
"""Processor time that one line may take; our rule: 10,000 times what ours take."""
_TRIED_S: Final = 0.02  # our rule: a fifth of that for a line of the trial
_WHOLE_S: Final = 1.0  # our rule: opening an instrument may take that long
_LENGTHS: Final = (
    *range(2, 64, 3),
    *(round(64 * 1.25**n) for n in range(10)),
    MOST_REPLY - 1,
)
"""Of lines that are tried: an exponential pattern takes eight times as long at each."""
_LONGEST_EXAMPLE: Final = 64  # our rule: a reply's beginning, a number, its end
_SPOILERS: Final = ("\x01", "")
"""What ends a line that is nearly right: a character that no pattern wants."""
_USUAL: Final = "0a ., -+"
"""Characters that lines are made of besides those of the pattern."""
_CATEGORIES: Final = {
    ops.CATEGORY_DIGIT: "0",
    ops.CATEGORY_SPACE: " ",
    ops.CATEGORY_WORD: "a",
    ops.CATEGORY_NOT_DIGIT: "a",
    ops.CATEGORY_NOT_SPACE: "0",
    ops.CATEGORY_NOT_WORD: " ",
}


class TooSlowError(ValueError):
    """A line took too long to be matched."""


@lru_cache(maxsize=64)
def pattern_fault(pattern: str) -> str:
    """Return why a pattern of a dialect cannot be used, empty when it can."""
    try:
        compiled = re.compile(pattern, re.ASCII)
    except (re.error, OverflowError, RecursionError) as error:
        return f"its reply pattern is no regular expression ({error})"
    if "value" not in compiled.groupindex:
        return "its reply pattern has no group 'value'"
    line = slow_line(compiled)
    if line is None:
        return ""
    return (
        f"its reply pattern takes too long on a line of {len(line)} characters such as "
        f"{line[:20]!r}...; write it without repeats or options side by side that can "
        "match the same characters"
    )


def match_reply(pattern: str, text: str) -> re.Match[str] | None:
    """Match one whole reply. Raises TooSlowError after `LIMIT_S` of processor time.

    Only the main thread, on a system with timers, can be stopped; elsewhere the trial
    of the pattern has to do.
    """
    compiled = re.compile(pattern, re.ASCII)
    with _at_most(LIMIT_S):
        return compiled.fullmatch(text)


def is_bounded(text: str) -> bool:
    """Whether a reply is as short as those of instruments are, and of few fields."""
    columns = 1 + text.count(",") + text.count(";") + text.count("\t")
    return len(text) <= MOST_REPLY and columns <= MOST_COLUMNS


def slow_line(compiled: re.Pattern[str]) -> str | None:
    """Return a line that a pattern takes too long to match, None if none is found."""
    limit_s = cpu_s() + _WHOLE_S
    for prefix, pumped in _attacks(str(compiled.pattern)):
        for spoiler in _SPOILERS:
            lines = (prefix + (pumped * n)[:n] + spoiler for n in _LENGTHS)
            while (line := _first_slow(compiled, lines)) is not None:
                # twice: once it may be a pause of this process, which proves nothing;
                # one that is only just slow shows at the lines behind it
                if _first_slow(compiled, (line,)) is not None:
                    return line
            if cpu_s() > limit_s:
                return None
    return None


def _first_slow(compiled: re.Pattern[str], lines: Iterable[str]) -> str | None:
    """Return the first of ever longer lines that takes too long; None if none does."""
    line = ""
    try:
        with _at_most(LIMIT_S):
            for line in lines:
                if not is_bounded(line):
                    return None
                before_s = cpu_s()
                compiled.fullmatch(line)
                if cpu_s() - before_s > _TRIED_S:
                    return line
    except TooSlowError:
        return line
    return None


def _attacks(pattern: str) -> Iterator[tuple[str, str]]:
    """Yield beginnings that a pattern takes, and what to repeat behind them."""
    example = example_of(pattern)[:_LONGEST_EXAMPLE]
    letters = dict.fromkeys(example + _USUAL)
    for letter in letters:
        yield "", letter
    for at in range(len(example)):
        for size in (1, 2, 3):
            pumped = example[at : at + size]
            if len(pumped) == size:
                yield example[: at + size], pumped
    yield example, example or "0"


def example_of(pattern: str) -> str:
    """Return a line that a pattern takes, roughly: each repeat once, first branches."""
    try:
        return "".join(_letters(_parser.parse(pattern)))
    except (re.error, OverflowError, RecursionError):
        return ""


def _letters(parsed: Any) -> Iterator[str]:
    for code, of in parsed:
        if code is ops.LITERAL:
            yield chr(of)
        elif code is ops.NOT_LITERAL:
            yield "0" if of != ord("0") else "1"
        elif code is ops.ANY:
            yield "0"
        elif code is ops.IN:
            yield _member(of)
        elif code is ops.SUBPATTERN:
            yield from _letters(of[-1])
        elif code is ops.BRANCH:
            yield from _letters(of[1][0])
        elif code is ops.ATOMIC_GROUP:
            yield from _letters(of)
        elif code in (ops.MAX_REPEAT, ops.MIN_REPEAT, ops.POSSESSIVE_REPEAT):
            once = "".join(_letters(of[2]))
            yield once * max(1, min(of[0], _LONGEST_EXAMPLE))


def _member(items: Any) -> str:
    """Return a character of a class."""
    first, of = items[0]
    if first is ops.NEGATE:
        taken = {chr(of) for code, of in items if code is ops.LITERAL}
        return next((ch for ch in _USUAL if ch not in taken), "~")
    if first is ops.CATEGORY:
        return _CATEGORIES.get(of, "0")
    return chr(of[0] if first is ops.RANGE else of)


@contextmanager
def _at_most(limit_s: float) -> Iterator[None]:
    """Raise TooSlowError in what is done here once it has taken so long."""
    timed = hasattr(signal, "setitimer") and (
        threading.current_thread() is threading.main_thread()
    )
    if not timed:
        yield
        return
    before = signal.signal(signal.SIGVTALRM, _ring)
    signal.setitimer(signal.ITIMER_VIRTUAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


def _ring(_number: int, _frame: FrameType | None) -> None:
    raise TooSlowError(f"it took more than {as_stated(LIMIT_S)} s")
