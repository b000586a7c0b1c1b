"""The bench and the part that a person wants where none is named.

One small TOML file in the user's configuration folder. It acts where something is
measured, and each time a line tells so; what judges old runs never looks at it.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.catalogue.check import Findings, TableKey, text
from benchlog.catalogue.places import read_toml, user_folder
from benchlog.errors import ConfigError, UsageError

_KEYS: Final = {
    "bench": TableKey(text("the name or path of a bench")),
    "part": TableKey(text("the name or path of a part")),
}
_HEAD: Final = """\
# The bench and the part that are taken where none is named.
# Written by `benchlog defaults`, which also shows and clears them.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """Names or paths; None where nothing is remembered."""

    bench: str | None = None
    part: str | None = None


def defaults_file() -> Path:
    """Return where they are kept. Raises UsageError where a user has no folder."""
    folder = user_folder()
    if folder is None:
        raise UsageError(
            "there is no home directory, so no defaults are kept; set HOME or "
            "XDG_CONFIG_HOME to a folder of yours"
        )
    return folder / "defaults.toml"


def read_defaults() -> Defaults:
    """Return what is remembered. Raises ConfigError when the file has problems."""
    folder = user_folder()
    path = None if folder is None else folder / "defaults.toml"
    if path is None or not path.exists():
        return Defaults()
    try:
        document = read_toml(path)
        findings = Findings(str(path), document)
        values = findings.table(document, "", _KEYS)
        findings.finish()
    except ConfigError as error:
        raise ConfigError(error.problems, _MEND) from None
    return Defaults(**values)


def write_defaults(defaults: Defaults) -> Path:
    """Keep these in place of those before; return the file.

    Raises UsageError when it cannot be written.
    """
    path = defaults_file()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("\n".join(_lines(defaults)) + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror}); check the rights of its "
            "folder, or name --bench and --part each time"
        ) from error
    return path


def _lines(defaults: Defaults) -> Iterator[str]:
    yield _HEAD
    for name in _KEYS:
        value = getattr(defaults, name)
        if value is not None:
            yield f"{name} = {json.dumps(value)}"  # TOML's basic strings are JSON's


_MEND: Final = "`benchlog defaults --clear` removes the file"
