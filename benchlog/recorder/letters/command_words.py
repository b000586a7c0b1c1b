"""What a program of the bench file is given: its words with values in them, variables.

Values are what somebody typed or scanned. A program may take any of its words for a
script, and no list of programs that do is complete. So within a longer word a value has
only letters, digits and `_`, and `.` and `-` between two of them: no blank (another
word, or `or 1` in SQL), no quote, no path that leads up or hides, no `--` (a comment in
SQL), no option. All else becomes `_`, which shows. A value that is a word by itself
passes as it is, and every value is in a variable, which no program runs by itself.
"""

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Final

from benchlog.units import printable

VARIABLE: Final = "BENCHLOG_"
_VALUE: Final = re.compile(r"\{(\w+)\}")
_HARMFUL: Final = re.compile(r"(?<![^\W_])[.-]|[.-](?![^\W_])|[^\w.-]")
_STATED: Final = frozenset({"state", "when", "utc"})
"""Ours, word for word: nobody types them."""
_TAKE_SCRIPTS: Final = re.compile(
    r"ssh|watch|parallel|tmux|([a-z]*term|x-terminal-emulator)"
    r"|[gmno]?awk|g?sed|sqlite3|psql|mysql|mariadb|duckdb"
)
"""What hands its words to a shell, or takes one for a script without an option (from
their manuals). Behind it a whole word is as part of a longer one."""


def filled_command(command: Sequence[str], letter: Mapping[str, object]) -> list[str]:
    """Return the words of a command with `{text}` and the like filled in."""
    within, words = False, []
    for word in command:
        words.append(filled_in(word, letter, within=within))
        within = within or _TAKE_SCRIPTS.fullmatch(PurePath(word).name) is not None
    return words


def filled_in(word: str, letter: Mapping[str, object], *, within: bool = False) -> str:
    """Return a word of a command with `{text}` and the like filled in, once.

    Braces inside a value stay text. A value within a longer word is `harmless`; with
    `within` any is. A word that would become an option, or a file to read, by its value
    alone is given a blank in front.
    """
    whole = _VALUE.fullmatch(word) is not None and not within

    def value(found: re.Match[str]) -> str:
        name = found[1]
        if name not in letter:
            return found[0]
        said = printable(str(letter[name]))
        return said if whole or _is_ours(name, letter[name]) else harmless(said)

    filled = _VALUE.sub(value, word)
    by_value = filled[:1] in ("-", "+", "@") and filled[:1] != word[:1]
    return f" {filled}" if by_value else filled


def told_values(letter: Mapping[str, object]) -> dict[str, str]:
    """Return the values as variables: `BENCHLOG_DEVICE` and so on; lists as JSON."""
    return {
        f"{VARIABLE}{name.upper()}": _as_text(value)
        for name, value in letter.items()
        if value is not None
    }


def harmless(text: str) -> str:
    """Return a text in which everything is `_` that could mean more than itself."""
    return _HARMFUL.sub("_", text)


def _is_ours(name: str, value: object) -> bool:
    return name in _STATED or isinstance(value, int | float)


def _as_text(value: object) -> str:
    if isinstance(value, list | tuple):
        return printable(json.dumps(value, ensure_ascii=False))
    if isinstance(value, int | float):
        return str(value)
    return filled_in("{text}", {"text": value})
