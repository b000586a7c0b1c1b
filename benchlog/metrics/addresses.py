"""Where metrics are served, and by which names this computer may be called."""

import ipaddress
import re
from dataclasses import dataclass
from typing import Final

from benchlog.errors import UsageError
from benchlog.masking import masked
from benchlog.units import printable

_HOST: Final = re.compile(
    r"(?P<name>\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(:[0-9]{1,5})?", re.ASCII
)
_ADDRESS: Final = re.compile(
    r"(?:(?P<name>\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253}):)?(?P<port>[0-9]{1,5})",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class ServedAt:
    """A host and a port to listen at; port 0 is any that is free."""

    host: str
    port: int

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        return is_this_computer(self.host)

    @property
    def text(self) -> str:
        """As an address is written: `127.0.0.1:8643`, `[::1]:8643`."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


def served_at(text: str) -> ServedAt:
    """Read `8643`, `127.0.0.1:8643`, `[::1]:8643`; a port alone is on this computer.

    Raises UsageError for anything else.
    """
    found = _ADDRESS.fullmatch(text.strip())
    if found is None or int(found["port"]) > 65_535:
        shown = printable(masked(f"//{text}")[2:])
        raise UsageError(
            f"{shown!r} is no address to serve at; write a port, such as "
            "8643, or 127.0.0.1:8643, [::1]:8643"
        )
    return ServedAt((found["name"] or "127.0.0.1").strip("[]"), int(found["port"]))


def is_own_name(host_header: str, *, is_local: bool) -> bool:
    """Whether a request came by a name of this computer, as its header `Host` tells.

    A page of another site may have a browser ask here by a name of its own that leads
    here: what is served to this computer alone answers to its own names alone.
    """
    host = _HOST.fullmatch(host_header)
    return host is not None and (
        not is_local or is_this_computer(host["name"].strip("[]"))
    )


def is_this_computer(host: str) -> bool:
    """Whether a name or an address is the loopback interface's."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
