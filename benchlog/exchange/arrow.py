"""pyarrow, where it is installed; what to install where it is not."""

import importlib
from typing import Any

from benchlog.errors import BenchlogError


def arrow(module: str = "pyarrow") -> Any:
    """Return pyarrow or one of its modules. Raises BenchlogError saying what to do."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise BenchlogError(
            "Parquet needs pyarrow, which is not installed; "
            "pip install 'benchlog-clocks[dataset]' brings it"
        ) from error
