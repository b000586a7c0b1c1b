"""Every JSON document that a test sees is held against the schema it names.

`BENCHLOG_UPDATE_SCHEMAS=1 pytest ...` widens them by what the tests see: keys are
added, types are added, a key that was left out is required no longer. Look at the diff:
a type that is new where a script relied on another one is no addition.
"""

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

import benchlog.schemas
from benchlog.schemas import KEY, VERSIONS, schema_of

UPDATE = "BENCHLOG_UPDATE_SCHEMAS"
FOLDER = Path(benchlog.schemas.__file__).parent
DRAFT = "https://json-schema.org/draft/2020-12/schema"
UNITS = {
    "ppm": "ppm", "hz": "Hz", "s": "s", "c": "°C", "v": "V", "pf": "pF",
    "ns": "ns since 1970 (UTC)", "percent": "%", "rms": "rms", "pp": "peak to peak",
}  # fmt: skip
WORDS = {
    "decision": ("accepted", "rejected", "open"),
    "severity": ("normal", "tightened", "reduced"),
}
OPEN = {
    "settings",
    "causes",
    "coefficients",
    "u",
    "intervals",
    "units",
    "runs",
    "kinds",
    "left_out",
}
"""Objects whose keys are names that a person or an instrument gives."""
NULL_ALONE = "seen as null only"
NEVER_NULL = {
    *("run", "device", "part", "nominal_hz", "readings", "gaps", "runs", "number"),
    *("kind", "name", "text", "utc", "instrument", "status", "purpose", "position"),
    *("passed", "failed", "undecided", "lot_size", "sample_size", "reasons"),
}
_ORDER = ("null", "boolean", "integer", "number", "string", "array", "object")


def hold(document: Any) -> None:
    """Hold a document, or each row of a list, against the schema that it names."""
    for one in document if isinstance(document, list) else [document]:
        if not isinstance(one, dict) or KEY not in one:
            continue
        kind, _, version = one[KEY].partition("/")
        assert VERSIONS.get(kind) == int(version), one[KEY]
        if os.environ.get(UPDATE) == "1":
            _widen(kind, one)
        plain = like(one)
        shape = kind, json.dumps(plain)
        if shape in _HELD:
            continue
        validator = _validator(kind)
        if errors := sorted(validator.iter_errors(plain), key=str):
            errors = sorted(validator.iter_errors(one), key=str) or errors
        said = [f"{one.json_path}: {one.message[:200]}" for one in errors[:5]]
        assert not said, f"{kind}: {said}; is it an addition? See tests/schemas_held.py"
        _HELD.add(shape)


_HELD: set[tuple[str, str]] = set()
"""What schemas have said yes to."""
ASKED_FOR = {"type", "properties", "required", "items", "enum", "const"}
"""What our schemas ask for; nothing else is in them, and `like` rests on that."""


def like(value: Any, name: str = "") -> Any:
    """Return a value that a schema says the same to: of each kind one.

    Of the items of a list those that are alike are there once; a number is 1 or 1.5,
    a text is empty where no schema asks for a word.
    """
    if isinstance(value, dict):
        return {key: like(inner, key) for key, inner in value.items()}
    if isinstance(value, list):
        plain = [like(one, name) for one in value]
        return list({json.dumps(one): one for one in plain}.values())
    if isinstance(value, str):
        return value if name in WORDS or name == KEY else ""
    if isinstance(value, float) and not value.is_integer():
        return 1.5
    return value if value is None or isinstance(value, bool) else 1


def hold_printed(words: Iterable[str], printed: str) -> None:
    """Hold what a command printed, where it was asked for JSON and printed some."""
    if "--json" in words and printed.strip():
        with suppress(json.JSONDecodeError):
            hold(json.loads(printed))


@cache
def _validator(kind: str) -> Draft202012Validator:
    schema = schema_of(kind)  # that it is sound is tested once: `cli/test_schemas.py`
    assert keywords_of(schema) <= ASKED_FOR, kind
    return Draft202012Validator(schema)


def keywords_of(schema: dict[str, Any]) -> set[str]:
    """Return what a schema asks for, and those within it."""
    within = [*schema.get("properties", {}).values()]
    within += [schema["items"]] if "items" in schema else []
    own = set(schema) - {"$schema", "$comment", "title", "description"}
    return own.union(*(keywords_of(one) for one in within))


def _widen(kind: str, document: dict[str, Any]) -> None:
    path = FOLDER / f"{kind}-{VERSIONS[kind]}.json"
    known = json.loads(path.read_text("utf-8")) if path.exists() else None
    body = widened(known, document)
    body["properties"][KEY] = {"const": f"{kind}/{VERSIONS[kind]}"}
    if body == known:
        return
    head = {"$schema": DRAFT, "title": f"benchlog {kind}, version {VERSIONS[kind]}"}
    body = {**head, **{k: v for k, v in body.items() if k not in head}}
    path.write_text(json.dumps(body, indent=1, ensure_ascii=False) + "\n", "utf-8")
    _validator.cache_clear()


def widened(
    known: dict[str, Any] | None, value: Any, name: str = "", *, is_item: bool = False
) -> dict[str, Any]:
    """Return a schema that takes what `known` takes, and this value besides.

    What was null alone so far may be of any type. A figure or a text that tests never
    saw unknown may be, and so may a table, except what is in `NEVER_NULL`.
    """
    found = dict(known or {})
    types = {"null"} if found.pop("$comment", "") == NULL_ALONE else set(_types(found))
    types.add(_type(value))
    if types == {"null"}:
        return {"$comment": NULL_ALONE}
    unit = UNITS.get(name.rpartition("_")[2])
    if "number" in types or (unit is not None and "integer" in types):
        types = (types - {"integer"}) | {"number"}  # every integer is a number
        if unit is not None:
            found.setdefault("description", unit)
    if types & {"number", "integer", "string"} and name not in NEVER_NULL:
        types.add("null")
    if "object" in types and name and not is_item and name not in NEVER_NULL:
        types.add("null")
    ordered = sorted(types, key=_ORDER.index)
    found["type"] = ordered[0] if len(ordered) == 1 else ordered
    if isinstance(value, dict) and (is_item or name not in OPEN):
        _widen_object(found, value, is_new="properties" not in found)
    if isinstance(value, list):
        for item in value:
            found["items"] = widened(found.get("items"), item, name, is_item=True)
    if name in WORDS and "string" in types:
        found["enum"] = [*WORDS[name], *([None] if "null" in types else [])]
    return found


def _widen_object(
    found: dict[str, Any], value: dict[str, Any], *, is_new: bool
) -> None:
    known = found.get("properties", {})
    properties = dict(known)
    for key, inner in value.items():
        properties[key] = widened(known.get(key), inner, key)
    found["properties"] = properties
    always = set(value) if is_new else set(found.get("required", ())) & set(value)
    found["required"] = [key for key in properties if key in always]


def _types(schema: dict[str, Any]) -> list[str]:
    types = schema.get("type", [])
    return [types] if isinstance(types, str) else list(types)


def _type(value: Any) -> str:
    if isinstance(value, bool):
        return "boolean"
    names = {type(None): "null", int: "integer", float: "number", str: "string"}
    return names.get(type(value), "array" if isinstance(value, list) else "object")
