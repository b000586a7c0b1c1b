"""Checking a dialect's reply pattern before an instrument's words meet it.

A regular expression can take time that grows exponentially with a line that almost
matches. That needs a repeated group with a choice inside, such as `(a+)+` or `(a|a)*`;
a reply pattern has no use for one, so it is refused. (Repeats side by side can still
be slow as a power of the line's length, which the drivers bound.)
"""

import re
import warnings
from typing import Final

LONGEST: Final = 300
_TOKEN = re.compile(
    r"""
    \\.                                     # an escaped character
  | \[\^?\]?(?:\\.|[^\]\\])*\]              # a class of characters
  | \(\?\#[^)]*\)                           # a comment
  | (?P<open>\((?:\?(?:P<\w+>|[:=!>]|<[=!]|[aiLmsux-]+:)|))
  | (?P<close>\))
  | (?P<repeat>[*+?]|\{\d*,?\d*\})[+?]?     # with lazy or possessive mark
  | (?P<either>\|)
  | .
    """,
    re.VERBOSE | re.DOTALL,
)


def pattern_fault(pattern: str) -> str:
    """Return why a reply pattern cannot be used, empty when it can."""
    if len(pattern) > LONGEST:
        return f"it has more than {LONGEST} characters"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            compiled = re.compile(pattern)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        return f"it is no regular expression: {error}"
    if "value" not in compiled.groupindex:
        return "it has no group (?P<value>...)"
    if may_explode(pattern):
        return "it repeats a group with a repeat, an option or an | inside"
    return ""


def may_explode(pattern: str) -> bool:
    """Tell whether a group that is repeated holds a choice (a repeat, `?` or `|`)."""
    choices = [False]  # for each open group: whether a choice was seen inside
    closed: bool | None = None  # the group that ended just before: held it a choice?
    for token in _TOKEN.finditer(pattern):
        repeat = token["repeat"]
        if repeat and closed and not _at_most_once(repeat):
            return True
        if repeat:
            choices[-1] = choices[-1] or _varies(repeat)
        elif token["either"]:
            choices[-1] = True
        closed = None
        if token["open"]:
            choices.append(False)
        elif token["close"] and len(choices) > 1:
            closed = choices.pop()
            choices[-1] = choices[-1] or closed
    return False


def _at_most_once(repeat: str) -> bool:
    return repeat in ("?", "{0,1}", "{,1}", "{1}", "{0}", "{1,1}")


def _varies(repeat: str) -> bool:
    """Tell whether a repeat leaves a choice: all but `{3}`."""
    low, comma, high = repeat.strip("{}").partition(",")
    return not (repeat.startswith("{") and (not comma or low == high))
