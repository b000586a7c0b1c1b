"""Programs that a bench file names, `[[alarm]]` and `[burn]`: what none may be.

Values are filled into their words: ids, notes, whatever somebody typed or scanned. As a
word of its own such a value is an argument. Within a script it would be run. What is
known to take a script is refused here; what is not known has only harmless characters
(`recorder/letters/command_words.py`).
"""

import re
from pathlib import PurePath
from typing import Final

from benchlog.catalogue.check import Findings, texts

PROGRAM: Final = texts("a program and its arguments, no shell", secret=True)
_VALUE: Final = re.compile(r"\{\w+\}")
_NOTHING: Final = ""
# source: POSIX.1-2017 (sh: -c), and what the others say of themselves with --help
_SCRIPT_OPTIONS: Final = (
    (r"(r?ba|da|a|z|r?k|mk|fi|c|tc)?sh\d*", r"-[A-Za-z]*c[A-Za-z]*", r"-[eux]+"),
    (r"pwsh|powershell|cmd(\.exe)?", r"(?i)-c(ommand)?|/[ck]", _NOTHING),
    # Tcl, whose [exec ...] runs programs
    (r"expect|openocd", r"-c.*|--command(=.*)?", _NOTHING),
    (r"gdb(-\w+)?", r"-{1,2}(ex|eval-command|iex)(=.*)?", _NOTHING),
    (r"R|Rscript|julia|osascript", r"-[eE].*|--eval(=.*)?", _NOTHING),
    (r"su|runuser|script|flock", r"-[A-Za-z]*c|--command(=.*)?", _NOTHING),
    (r"env", r"-[A-Za-z]*S.*|--split-string(=.*)?", _NOTHING),
    (r"python[\d.]*", r"-[A-Za-z]*c.*", r"-[BEIOPqsSu]+"),
    (r"perl[\d.]*|ruby[\d.]*", r"-[A-Za-z0-9]*[eE].*", r"-w"),
    (r"node|nodejs|lua[\d.]*", r"-[ep].*|--(eval|print)(=.*)?", r"-"),
    (r"php[\d.]*", r"-r.*|--run(=.*)?", r"-q"),
)
"""What takes a script; the option behind which it stands or is the next word; and, of
what runs a file whose further words are the file's own, which options may stand before
the file and take no word: `python3 -u notify.py -c {text}` fills nothing into a script.
"""
_BESIDE_IT: Final = (
    'a variable within the script: ["sh", "-c", \'notify "$BENCHLOG_%s"\']; or the '
    'value as a word behind it: ["sh", "-c", \'notify "$1"\', "sh", "{%s}"]'
)


def look_for_scripts(
    findings: Findings, path: str, command: tuple[str, ...], value: str
) -> None:
    """Note in `findings` a text within a script; `value` is one that is filled in.

    A trim code is a number and harms none.
    """
    if _in_a_script(tuple(word.replace("{code}", "0") for word in command)):
        found = "{...} within the script of a shell, which would run what a value says"
        findings.add(path, found, _BESIDE_IT % (value.upper(), value))


def _in_a_script(command: tuple[str, ...]) -> bool:
    """Whether a value is filled into what a shell or the like takes for a script."""
    option = before_file = _NOTHING
    for at, word in enumerate(command):
        if found := _options_of(word):
            option, before_file = found
        elif option and re.fullmatch(option, word, re.DOTALL):
            return any(map(_VALUE.search, (word, *_script_behind(command[at + 1 :]))))
        elif before_file and not re.fullmatch(before_file, word):
            if word[:1] not in ("-", "+") and not _VALUE.search(word):
                option = _NOTHING
            before_file = _NOTHING
    return False


def _options_of(word: str) -> tuple[str, str] | None:
    """Return the option for a script of a program, and those before a file."""
    name = PurePath(word).name
    rows = (rest for names, *rest in _SCRIPT_OPTIONS if re.fullmatch(names, name))
    return next(((option, before_file) for option, before_file in rows), None)


def _script_behind(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the words up to the first that is no option: one of them is the script."""
    ends = (at for at, word in enumerate(words, 1) if word[:1] not in ("-", "+"))
    return words[: next(ends, len(words))]
