"""What an address may give away: passwords and tokens, masked wherever it is shown."""

import re
from typing import Final

MASK: Final = "***"
_USER: Final = re.compile(r"(?<=//)[^/?#\s'\"<>]*@")
_REST: Final = re.compile(r"(https?://[^/?#\s'\"<>]+)[/?#][^\s'\"<>]+", re.IGNORECASE)


def masked(text: str) -> str:
    """Return text with the secrets of the addresses in it masked.

    `user:password@` of any address, and of a web address all that follows the host:
    path and query of a webhook are what lets one in.
    """
    return _REST.sub(rf"\1/{MASK}", _USER.sub(f"{MASK}@", text))
