"""JSON Schemas of what `--json` prints: a file for each kind of document.

Every document has the key `schema`, with its kind and version. Of a list each row has
it, since a list stays one. A version stays as long as keys are only added. A key that
is renamed, taken away, or means something else makes the next version.
"""

import json
from typing import Any, Final

KEY: Final = "schema"
VERSIONS: Final = dict.fromkeys(
    (
        *("run", "soak", "show", "judgement", "listed-run", "dataset-run"),
        *("result", "device", "lot", "listed-lot", "chips"),
        *("compare", "stability", "stability-over-time", "hat", "temperature"),
        *("ageing", "response", "trim", "trimmed-lot", "fitness", "lot-fitness"),
        *("refcheck", "check-standard", "part", "bench", "checked-instrument"),
        *("defaults", "finding", "port", "merge", "check", "import", "rows-back"),
        *("forward", "forward-created"),
        *("sequence", "qualification", "qualification-plan"),
    ),
    1,
)
"""The newest version of each kind of document."""


def name_of(kind: str) -> str:
    """Return kind and version as a document has them under `schema`: `run/1`."""
    return f"{kind}/{VERSIONS[kind]}"


def schema_text(kind: str) -> str:
    """Return the JSON Schema (draft 2020-12) of a kind of document, as shipped."""
    from importlib.resources import files  # noqa: PLC0415 - seldom needed

    name = f"{name_of(kind).replace('/', '-')}.json"
    return files(__name__).joinpath(name).read_text("utf-8")


def schema_of(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind of document; KeyError where there is none."""
    found: dict[str, Any] = json.loads(schema_text(kind))
    return found
