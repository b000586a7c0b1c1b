"""Files for the programs that scrape: a dashboard, and rules for alerts."""

from importlib.resources import files
from typing import Final

_NAMES: Final = {"dashboard": "dashboard.json", "alert-rules": "alert-rules.yml"}


def text_of_file(which: str) -> str:
    """Return the file `dashboard` or `alert-rules` as it is."""
    return (files("benchlog.metrics") / _NAMES[which]).read_text("utf-8")
