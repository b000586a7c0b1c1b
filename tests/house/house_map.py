"""The house as it is: rooms, what each imports, and a picture of it in plain text.

`python tests/house/house_map.py` prints the picture that DEVELOPERS.md shows, and
`python tests/house/house_map.py counts` the counts that a move is measured by.
"""

import ast
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

TOP = Path(__file__).parents[2]
ROOTS = {"benchlog": TOP / "benchlog", "benchlog_drivers": TOP / "drivers"}
WORDS = (
    *(
        "units",
        "masking",
        "priority",
        "process_memory",
        "errors",
        "clock",
        "model",
        "control",
        "keepers",
    ),
    *("driver", "driver_blocks", "driver_values", "registry", "version"),
)
"""The modules that every room may use; counted as one room."""


@dataclass(frozen=True)
class Module:
    """One file: its dotted name, its text, its tree."""

    name: str
    path: Path

    @cached_property
    def text(self) -> str:
        return self.path.read_text("utf-8")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @cached_property
    def nodes(self) -> list[ast.AST]:
        return list(ast.walk(self.tree))

    @property
    def lines(self) -> int:
        return self.text.count("\n")

    @property
    def room(self) -> str:
        """Return its room: the folder, `words` for what all may use, `benchlog`."""
        root, *rest = self.name.split(".")
        if root == "benchlog_drivers":
            return "drivers"
        if not rest:
            return "benchlog"
        if rest[0] in WORDS:
            return "words"
        return rest[0]

    @property
    def is_package(self) -> bool:
        return self.path.name == "__init__.py"


@cache
def modules() -> dict[str, Module]:
    """Return every module of the package and of the drivers, by its dotted name."""
    found = {}
    for root, folder in ROOTS.items():
        for path in sorted(folder.rglob("*.py")):
            parts = [root, *path.relative_to(folder).with_suffix("").parts]
            if parts[-1] == "__init__":
                parts.pop()
            name = ".".join(parts)
            found[name] = Module(name, path)
    return found


@cache
def imports(module: Module) -> frozenset[str]:
    """Return the modules of the house that a module imports, late imports included."""
    known = modules()
    found: set[str] = set()
    for node in module.nodes:
        if isinstance(node, ast.Import):
            found |= {one.name for one in node.names if one.name in known}
        elif isinstance(node, ast.ImportFrom) and node.module:
            for one in node.names:
                inner = f"{node.module}.{one.name}"
                found |= {name for name in (inner, node.module) if name in known}
                if inner in known:
                    found.discard(node.module)
    return frozenset(found - {module.name})


def rooms_imported() -> dict[str, set[str]]:
    """Return, for each room, the other rooms that it imports."""
    known = modules()
    found: dict[str, set[str]] = defaultdict(set)
    for module in known.values():
        found[module.room] |= {known[name].room for name in imports(module)}
    return {room: others - {room} for room, others in found.items()}


def purposes() -> dict[str, str]:
    """Return the first line of what each room tells of itself."""
    known = modules()
    found = {
        "benchlog": "The door for scripts: the names of `library`, loaded when used.",
        "words": "Figures in print, errors, the clock, the nouns, the contracts.",
    }
    for name, module in known.items():
        parts = name.split(".")
        is_room = module.is_package and (len(parts) == 2 or name == "benchlog_drivers")
        if is_room and module.room != "words":
            found[module.room] = (ast.get_docstring(module.tree) or "").split("\n")[0]
    return found


def floors() -> list[list[str]]:
    """Return the rooms in layers: each imports only from the layers after its own."""
    arrows = dict(rooms_imported())
    below: list[list[str]] = []
    placed: set[str] = set()
    while arrows:
        layer = sorted(room for room, others in arrows.items() if others <= placed)
        if not layer:
            raise ValueError(f"rooms import each other in a circle: {sorted(arrows)}")
        below.append(layer)
        placed |= set(layer)
        for room in layer:
            del arrows[room]
    return below[::-1]


def picture() -> str:
    """Draw the house: a floor a paragraph, arrows point down only."""
    arrows, told = rooms_imported(), purposes()
    drawn = []
    for layer in floors():
        for room in layer:
            drawn.append(f"{room:<11} {told[room]}")
            others = sorted(arrows[room] - {"words"})
            if others:
                drawn.append(f"{'':<11} -> {' '.join(others)}")
        drawn.append("")
    return "\n".join(drawn).rstrip()


def class_names() -> Counter[str]:
    """Return how often each public class name is defined."""
    return Counter(
        node.name
        for module in modules().values()
        for node in module.nodes
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )


def long_constructors(most: int = 4) -> dict[str, int]:
    """Return dataclasses that take over `most` fields by position."""
    found = {}
    for module in modules().values():
        for node in module.nodes:
            if isinstance(node, ast.ClassDef):
                count = _by_position(node)
                if count > most:
                    found[f"{module.name}.{node.name}"] = count
    return found


def _by_position(node: ast.ClassDef) -> int:
    made = [ast.unparse(one) for one in node.decorator_list]
    if not any("dataclass" in one and "kw_only=True" not in one for one in made):
        return 0
    count = 0
    for item in node.body:
        if isinstance(item, ast.AnnAssign):
            kind = ast.unparse(item.annotation)
            if "KW_ONLY" in kind:
                break
            count += "ClassVar" not in kind and "init=False" not in ast.unparse(item)
    return count


def depth_of(room: str) -> int:
    """Return the longest chain of imports inside a room."""
    known = modules()
    inside = {name for name, one in known.items() if one.room == room}
    graph = {name: imports(known[name]) & inside for name in inside}
    depths: dict[str, int] = {}

    def depth(name: str, above: tuple[str, ...] = ()) -> int:
        if name not in depths and name not in above:
            under = [depth(other, (*above, name)) for other in graph[name]]
            depths[name] = 1 + max(under, default=0)
        return depths.get(name, 0)

    return max(map(depth, inside))


def counts() -> dict[str, int]:
    """Return the counts that show whether a move made the house easier to read."""
    known = modules()
    importers = Counter(other for one in known.values() for other in imports(one))
    return {
        "files": len(known),
        "lines": sum(one.lines for one in known.values()),
        "class names twice": sum(n > 1 for n in class_names().values()),
        "single-importer files": sum(importers[name] == 1 for name in known),
        "files under 60 lines": sum(one.lines < 60 for one in known.values()),
        "dict[str, Any]": sum(
            one.text.count("dict[str, Any]") for one in known.values()
        ),
        "dataclasses with over 4 fields by position": len(long_constructors()),
        "floors of recorder": depth_of("recorder"),
    }


if __name__ == "__main__":
    if sys.argv[1:] == ["counts"]:
        for what, number in counts().items():
            print(f"{what:<45} {number:>7,}")
    else:
        print(picture())
