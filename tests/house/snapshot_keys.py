"""Where code picks a key out of a run's snapshot by hand."""

import ast

PICKS = ("get", "pop", "setdefault", "items", "keys", "values")


def snapshot_keys(tree: ast.Module) -> list[ast.expr]:
    """Return the expressions that look into a snapshot.

    A snapshot is an attribute or an entry of that name, a `dict` of one, and a name
    that one was bound to.
    """
    names: set[str] = set()
    nodes = list(ast.walk(tree))
    for node in nodes:
        if isinstance(node, ast.Assign) and _is_snapshot(node.value, names):
            names |= {one.id for one in node.targets if isinstance(one, ast.Name)}
    return [
        node
        for node in nodes
        if isinstance(node, ast.expr)
        and any(_is_snapshot(inside, names) for inside in _looked_into(node))
    ]


def _looked_into(node: ast.expr) -> list[ast.expr]:
    if isinstance(node, ast.Subscript):
        return [node.value]
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return [node.func.value] if node.func.attr in PICKS else []
    if isinstance(node, ast.Compare):
        operators = zip(node.ops, node.comparators, strict=True)
        return [right for op, right in operators if isinstance(op, ast.In | ast.NotIn)]
    return []


def _is_snapshot(node: ast.expr, names: set[str]) -> bool:
    if isinstance(node, ast.Name):
        return node.id in names
    if isinstance(node, ast.Attribute):
        return node.attr == "snapshot"
    if isinstance(node, ast.Call):
        of_dict = isinstance(node.func, ast.Name) and node.func.id == "dict"
        return of_dict and any(_is_snapshot(one, names) for one in node.args)
    return (
        isinstance(node, ast.Subscript)
        and isinstance(node.slice, ast.Constant)
        and node.slice.value == "snapshot"
    )
