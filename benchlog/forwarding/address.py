"""Where to: an address as a person types it, without anything secret in it."""

from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from benchlog.errors import UsageError

POSTGRES: Final = ("postgresql", "postgres")
STORES: Final = ("s3", "gs", "gcs", "file")
_SECRETS: Final = ("password", "sslpassword", "access_key", "secret_key")
_WHERE: Final = (
    "take it out of the address: the command line can be read by everybody on this "
    "computer. Set {0} in the environment, or {1}"
)
_POSTGRES_WAYS: Final = ("PGPASSWORD", "keep it in ~/.pgpass or a service file")
_STORE_WAYS: Final = (
    "AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY",
    "keep it in ~/.aws/credentials",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """An address that holds no secret; `shown` is host and path, for people."""

    text: str
    scheme: str
    shown: str

    @property
    def is_postgres(self) -> bool:
        """Whether it is a database; else it is an object store or a folder."""
        return self.scheme in POSTGRES


def address_of(text: str) -> Address:
    """Return what a person typed as an address. Raises UsageError, and why."""
    try:
        parts = urlsplit(text)
        port_is_one = parts.port is None or parts.port > 0
    except ValueError:
        port_is_one = False
        parts = urlsplit("")
    scheme = parts.scheme.lower()
    if not port_is_one or (scheme not in POSTGRES and scheme not in STORES):
        raise UsageError(
            "that is no address to send to: one begins with postgresql:// or s3://; "
            "`benchlog forward --help` has examples"
        )
    ways = _POSTGRES_WAYS if scheme in POSTGRES else _STORE_WAYS
    named = [name.lower() for name, _ in parse_qsl(parts.query, keep_blank_values=True)]
    if parts.password is not None or any(name in _SECRETS for name in named):
        raise UsageError(f"there is a password in it; {_WHERE.format(*ways)}")
    host = parts.netloc.rpartition("@")[2]
    return Address(text=text, scheme=scheme, shown=f"{host}{parts.path}")
