"""Numbers that people read are written by `units`; other formats are named here."""

import ast
import re
from collections.abc import Sequence

import pytest
from house.house_map import TOP, modules

ROUNDERS = {"float", "as_stated"}
"""What a text may be handed to at once: it is read as a number again."""
OTHER_FORMATS = {
    "benchlog/units.py": "the one style is made here",
    "benchlog/catalogue/described.py": "to be typed again, without a comma",
    "benchlog/catalogue/uses.py": "part of an id",
    "benchlog/evaluation/fitness_wording.py": "part of an id",
    "benchlog/exchange/text/import_text.py": "part of an id",
    "benchlog/exchange/export/number_texts.py": "a file for programs",
    "benchlog/driver_kit/settings.py": "as SCPI writes it",
    "benchlog/simulate/instruments/scpi_counter.py": "as SCPI writes it",
    "benchlog/testing/setter_scripts.py": "as SCPI writes it",
    "drivers/typed_in.py": "an instrument's text, with every digit it has",
    "benchlog/screen/picture.py": "attributes of a drawing",
    "benchlog/plotting/pictures.py": "a tick that in_powers writes as a power of ten",
    "benchlog/cli/tasks/bench_setup/new_bench.py": "a reading with every digit it has",
    "benchlog/cli/commands/check_bench.py": "a reading with every digit it has",
    "drivers/pulse_edge.py": "kept in snapshots, and compared with them",
}


def odd_formats(nodes: Sequence[ast.AST]) -> list[str]:
    """Return the formats in g or e of a file's texts that nothing reads again."""
    again = {
        id(argument)
        for node in nodes
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ROUNDERS
        for argument in ast.walk(node)
    }
    return [
        f"{node.lineno}: {ast.unparse(node)}"
        for node in nodes
        if id(node) not in again and _is_odd(node)
    ]


def _is_odd(node: ast.AST) -> bool:
    if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
        return bool(re.search(r"[0-9,]?[geGE]'$", ast.unparse(node.format_spec)))
    if isinstance(node, ast.Attribute) and node.attr == "format":  # "{:.9g}".format
        return bool(re.search(r"{:[^}]*[geGE]}", ast.unparse(node.value)))
    return False


def in_files() -> dict[str, list[str]]:
    found = {
        one.path.relative_to(TOP).as_posix(): odd_formats(one.nodes)
        for one in modules().values()
    }
    return {name: odd for name, odd in found.items() if odd}


def test_numbers_are_written_in_one_style() -> None:
    odd = in_files()
    assert {name: odd[name] for name in odd if name not in OTHER_FORMATS} == {}
    assert {name for name in OTHER_FORMATS if name not in odd} == set(), "no more"


@pytest.mark.parametrize(
    ("line", "odd"),
    [
        ("f'{x:g}'", 1),
        ("f'{x:,.12g} Hz'", 1),
        ("f'{x:.2e}'", 1),
        ("f'{x:.{n}g}'", 1),
        ("f'{x:.1f}'", 0),
        ("as_stated(float(f'{x:.4g}'))", 0),
    ],
)
def test_such_a_format_is_found(line: str, odd: int) -> None:
    assert len(odd_formats(list(ast.walk(ast.parse(line))))) == odd
