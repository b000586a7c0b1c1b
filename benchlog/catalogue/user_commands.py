"""Programs that a bench file names, `[[alarm]]` and `[burn]`: what none may be.

Values are filled into their words: ids, notes, whatever somebody typed or scanned. As a
word of its own such a value is an argument. Within a script it would be run. What is
known to take a script is refused here; what is not known has only harmless characters
(`recorder/command_words.py`).
"""

import re
from pathlib import PurePath
from typing import Final

from benchlog.catalogue.check import Findings, texts

PROGRAM: Final = texts("a program and its arguments, no shell", secret=True)
_VALUE: Final = re.compile(r"\{\w+\}")
# source: POSIX.1-2017 (sh: -c), and what the others say of themselves with --help
_SCRIPT_OPTIONS: Final = (
    (r"(r?ba|da|a|z|r?k|mk|fi|c|tc)?sh\d*", r"-[A-Za-z]*c[A-Za-z]*"),
    (r"pwsh|powershell|cmd(\.exe)?", r"(?i)-c(ommand)?|/[ck]"),
    (r"expect|openocd", r"-c.*|--command(=.*)?"),  # Tcl, whose [exec ...] runs programs
    (r"gdb(-\w+)?", r"-{1,2}(ex|eval-command|iex)(=.*)?"),
    (r"R|Rscript|julia|osascript", r"-[eE].*|--eval(=.*)?"),
    (r"su|runuser|script|flock", r"-[A-Za-z]*c|--command(=.*)?"),
    (r"env", r"-[A-Za-z]*S.*|--split-string(=.*)?"),
    (r"python[\d.]*", r"-[A-Za-z]*c.*"),
    (r"perl[\d.]*|ruby[\d.]*", r"-[A-Za-z0-9]*[eE].*"),
    (r"node|nodejs|lua[\d.]*", r"-[ep].*|--(eval|print)(=.*)?"),
    (r"php[\d.]*", r"-r.*|--run(=.*)?"),
)
"""What takes a script, and the option behind which it stands or is the next word."""
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
    option = ""
    for at, word in enumerate(command):
        name = PurePath(word).name
        option = next((o for n, o in _SCRIPT_OPTIONS if re.fullmatch(n, name)), option)
        if option and re.fullmatch(option, word, re.DOTALL):
            return any(map(_VALUE.search, (word, *_script_behind(command[at + 1 :]))))
    return False


def _script_behind(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the words up to the first that is no option: one of them is the script."""
    ends = (at for at, word in enumerate(words, 1) if word[:1] not in ("-", "+"))
    return words[: next(ends, len(words))]
