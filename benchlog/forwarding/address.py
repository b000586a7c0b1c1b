"""Where to: the address of a central database, without anything secret in it."""

from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from benchlog.errors import UsageError
from benchlog.units import printable

_SCHEMES: Final = ("postgresql", "postgres")
_SECRETS: Final = ("password", "sslpassword")


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """An address that holds no secret; `shown` is for people: host and path.

    Where it has neither, what it has: the name of a service.
    """

    text: str
    shown: str


def is_database(text: str) -> bool:
    """Whether an address is one of PostgreSQL."""
    return text.partition(":")[0].lower() in _SCHEMES


def address_of(text: str) -> Address:
    """Return what a person typed as the address of a database.

    Raises UsageError for one that cannot be one, or that has a password in it.
    """
    try:
        parts = urlsplit(text)
        is_one = is_database(text) and parts.port != 0
    except ValueError:
        is_one = False
    if not is_one:
        raise UsageError(
            "that is no address to send to: one begins with postgresql://, s3:// or "
            "file://; `benchlog forward --help` has examples"
        )
    named = [name.lower() for name, _ in parse_qsl(parts.query, keep_blank_values=True)]
    if parts.password is not None or any(name in _SECRETS for name in named):
        raise UsageError(
            "there is a password in the address; take it out: everybody on this "
            "computer can read its command lines. Set PGPASSWORD in the environment, "
            "or write ~/.pgpass or a service file"
        )
    host = parts.netloc.rpartition("@")[2]
    place = f"{host}{parts.path}".strip("/")
    service = dict(parse_qsl(parts.query)).get("service")
    named_so = f"service {printable(service)}" if service else "PostgreSQL"
    return Address(text=text, shown=f"{host}{parts.path}" if place else named_so)
