"""What an address may give away: passwords and tokens, masked wherever it is shown."""

import re
from typing import Final

MASK: Final = "***"
_USER: Final = re.compile(r"(?<=//)[^/?#\s'\"<>]*@")
_REST: Final = re.compile(
    r"(\b[a-z][a-z0-9+.-]*://[^/?#\s'\"<>]+)[/?#][^\s'\"<>]*[^\s'\"<>`:;,)]",
    re.IGNORECASE,
)


def masked_line(line: str) -> str:
    """Return a line of a TOML file with its secrets masked; a comment stays."""
    return line if line.lstrip().startswith("#") else masked(line)


def masked(text: str) -> str:
    """Return text with the secrets of the addresses in it masked.

    `user:password@`, and all that follows the host: path and query of a webhook are
    what lets one in.
    """
    return _REST.sub(rf"\1/{MASK}", _USER.sub(f"{MASK}@", text))
