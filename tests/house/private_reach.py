"""Where a test reaches for a private attribute, and whether it tells why.

Such a line has a comment on it, or a few lines above, with `private:` and the reason.
"""

import ast
import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
_NEAR = 5
_REACH = re.compile(r"\.\s*_[^_]")
_OPEN = ("_asdict", "_replace", "_fields", "_exit")


def reaches(path: Path) -> list[int]:
    """Return the lines of a file that reach for a private attribute of another."""
    text = path.read_text("utf-8")
    if not _REACH.search(text):  # parsing them all takes 1 s
        return []
    tree = ast.parse(text)
    return sorted(
        {
            node.lineno
            for node in ast.walk(tree)
            if isinstance(node, ast.Attribute)
            and node.attr.startswith("_")
            and not node.attr.startswith("__")
            and node.attr not in _OPEN
            and not (
                isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
            )
        }
    )


def unexplained() -> list[str]:
    """Return where no reason is given."""
    found = []
    for path in sorted(TESTS.rglob("*.py")):
        lines = path.read_text("utf-8").splitlines()
        for number in reaches(path):
            near = lines[max(0, number - _NEAR) : number]
            if not any("private:" in line for line in near):
                found.append(f"{path.relative_to(TESTS)}:{number}")
    return found


if __name__ == "__main__":
    print("\n".join(unexplained()))
