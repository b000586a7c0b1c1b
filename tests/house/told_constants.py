"""Which numbers of the code come with where they are from: a source, a rule, a finder.

Counted are upper-case names of a module whose value has a number other than 0 in it. A
constant is told by a comment on its lines or right above, by the docstring below it, or
by a comment elsewhere in its file that names it.

`python tests/house/told_constants.py` prints those that are not.
"""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

TOP = Path(__file__).parents[2]
ROOMS = (
    *("benchlog/analysis", "benchlog/verdict", "benchlog/recorder"),
    *("benchlog/evaluation", "benchlog/simulate", "drivers"),
)
_ORIGIN = re.compile(
    r"\bour rules?\b|\bcommon practice\b|\bfrom memory\b|\bsource: |\bno source\b"
    r"|\bdefinition\b|\bderived\b|\bmeasured: "
    r"|(?-i:\b(NIST|JCGM|IEC|ISO|IEEE|MIL|SP 1065)\b)",
    re.IGNORECASE,
)
_FOUND = re.compile(r"^\| `(\w+)` \| `([\w./]+\.py)` \|", re.MULTILINE)


def found_again(results: str) -> set[tuple[str, str]]:
    """Return name and file of every constant that a finder's table has."""
    return set(_FOUND.findall(results))


def untold(text: str) -> Iterator[str]:
    """Yield the constants of a module's text that have no origin beside them."""
    lines = text.splitlines()
    blocks = comment_blocks(lines)
    body = ast.parse(text).body
    for at, node in enumerate(body):
        names = _names(node)
        if not names or not _has_number(node.value):
            continue
        below = body[at + 1] if at + 1 < len(body) else None
        beside = [
            *(blocks[end] for end in blocks if end == node.lineno - 1),
            *(
                line.partition("  # ")[2]
                for line in lines[node.lineno - 1 : _end(node)]
            ),
            _docstring(below),
        ]
        named = [
            block
            for block in blocks.values()
            if any(re.search(rf"\b{name}\b", block) for name in names)
        ]
        if not any(_ORIGIN.search(one) for one in beside + named):
            yield from names


def comment_blocks(lines: list[str]) -> dict[int, str]:
    """Return blocks of whole-line comments by the number of their last line."""
    found: dict[int, str] = {}
    for number, line in enumerate(lines, 1):
        if line.startswith("# "):
            found[number] = f"{found.pop(number - 1, '')} {line[2:]}".strip()
    return found


def _names(node: ast.stmt) -> list[str]:
    if isinstance(node, ast.AnnAssign):
        targets = [node.target]
    elif isinstance(node, ast.Assign):
        targets = node.targets
    else:
        return []
    names = [
        one.id
        for target in targets
        for one in ast.walk(target)
        if isinstance(one, ast.Name)
    ]
    return [name for name in names if name.isupper()]


def _has_number(value: ast.expr | None) -> bool:
    return value is not None and any(
        isinstance(one, ast.Constant)
        and type(one.value) in (int, float)
        and one.value != 0
        for one in ast.walk(value)
    )


def _end(node: ast.stmt) -> int:
    return node.end_lineno or node.lineno


def _docstring(node: ast.stmt | None) -> str:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return str(node.value.value)
    return ""


def all_untold() -> list[str]:
    """Return file and name of each in the rooms that neither tells nor is found."""
    found = found_again((TOP / "tests/finders/RESULTS.md").read_text("utf-8"))
    return [
        f"{path.relative_to(TOP)} {name}"
        for room in ROOMS
        for path in sorted((TOP / room).rglob("*.py"))
        for name in untold(path.read_text("utf-8"))
        if (name, str(path.relative_to(TOP))) not in found
    ]


if __name__ == "__main__":
    left = all_untold()
    print("\n".join(left))
    sys.exit(bool(left))
