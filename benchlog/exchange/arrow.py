"""pyarrow, where it is installed; what to install where it is not."""

import importlib
from typing import Any

from benchlog.errors import MissingExtraError


def arrow(module: str = "pyarrow") -> Any:
    """Return pyarrow or one of its modules. Raises MissingExtraError."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise MissingExtraError("Parquet needs pyarrow", "dataset") from error
