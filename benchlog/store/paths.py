"""Where the database lives when nobody says otherwise."""

import os
from collections.abc import Mapping
from pathlib import Path

import platformdirs

DATABASE_VARIABLE = "BENCHLOG_DB"


def default_database(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the database named by `BENCHLOG_DB`, else the one in the data folder."""
    named = environment.get(DATABASE_VARIABLE, "")
    if named:
        return Path(named).expanduser()
    return Path(platformdirs.user_data_dir("benchlog", appauthor=False)) / "benchlog.db"
