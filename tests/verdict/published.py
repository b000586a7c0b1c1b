"""Reading the tables in tests/data: CSV with a header of comments."""

import csv
from pathlib import Path

DATA = Path(__file__).parents[1] / "data"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a table; lines that begin with # say where it comes from."""
    text = (DATA / name).read_text("utf-8")
    kept = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(kept))
