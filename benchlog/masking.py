"""What addresses and options give away: passwords and tokens, masked where shown."""

import re
from typing import Final

MASK: Final = "***"
# A quote or bracket between two letters or digits is part of an address that somebody
# typed; elsewhere it ends one, as in JSON.
_WITHIN: Final = r"(?:[^\s\"<>]|(?<=\w)[\"<>](?=\w))"
_WORD: Final = rf"{_WITHIN}+"
_REST: Final = (
    r"(?i)(?<=[a-z0-9+.-]://)([^/?#&=\s'\"<>]++)[/?#&=]" + rf"{_WITHIN}*[^\s'\"<>`:;,)]"
)
_AFTER: Final = "'\"<>`:;,)}]"
"""What may follow an address in a sentence, and is not of it."""

_SECRETS: Final = frozenset(
    [
        "apikey",
        "authorization",
        "bearer",
        "credential",
        "pass",
        "passphrase",
        "passwd",
        "password",
        "pwd",
        "secret",
        "token",
    ]
)
"""Last words of keys whose value is a secret by itself; our rule."""
_KEYS: Final = frozenset(("access", "api", "auth", "private", "secret"))
"""What makes a secret of a key whose name ends in `key`; our rule."""
_FILTERS: Final = frozenset(("low", "high", "band", "all"))
"""What makes a filter of a `pass`; terms of the trade."""
_ASSIGNED: Final = re.compile(
    r"""(?m)^[ \t]*\#.*$|(?<![\w-])([\w-]++)(["']?[ \t]*=[ \t]*)"""
    r"""(\"{3}[\s\S]*?\"{3}|'{3}[\s\S]*?'{3}|"(?:\\.|[^"\\\n])*+"|'[^'\n]*+'"""
    r"""|\[[^\]]*+\]|[^\s,}\]\#]++)"""
)


def is_secret(key: str) -> bool:
    """Whether the name of an option says that its value is a secret: `api_key`.

    The last word tells: `token_file` and `password_length` are none.
    """
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", key).lower()
    words = re.findall(r"[a-z]+", apart)
    if not words:
        return False
    if words[-1] == "pass" and not _FILTERS.isdisjoint(words[-2:-1]):
        return False
    last = words[-1] if words[-1] in _SECRETS else words[-1].removesuffix("s")
    return last in _SECRETS or (last == "key" and not _KEYS.isdisjoint(words[-2:-1]))


def masked_file(text: str) -> str:
    """Return a TOML file with the values of its secret keys masked; a comment stays."""

    def without(found: re.Match[str]) -> str:
        key = found[1]
        if key is None or not is_secret(key):
            return found[0]
        return f'{key}{found[2]}"{MASK}"'

    return _ASSIGNED.sub(without, text)


def masked_line(line: str) -> str:
    """Return a line of a TOML file with its secrets masked; a comment stays."""
    return line if line.lstrip().startswith("#") else masked(line)


def masked(text: str) -> str:
    """Return text with the secrets of the addresses in it masked.

    `user:password@`, whatever the password is made of, and all that follows the host:
    path and query of a webhook are what lets one in. Takes time as the text is long.
    """
    if "//" not in text:
        return text
    return re.sub(_REST, rf"\1/{MASK}", re.sub(_WORD, _without_user, text))


def _without_user(found: re.Match[str]) -> str:
    """Return a word with `user:password@` masked; all of it where that is in doubt.

    An `@` behind the host is not what ends a password: `?to=me@desk.example&key=...`.
    """
    token = found[0]
    begin, end = token.find("//") + 2, token.rfind("@")
    if not 2 <= begin <= end:
        return token
    before = token[begin:end]
    host = re.split("[/?#]", before, maxsplit=1)[0]
    if host == before or (_has_password(host) and "@" not in before):
        return f"{token[:begin]}{MASK}{token[end:]}"
    rest = token[begin:]
    return f"{token[:begin]}{MASK}{rest[len(rest.rstrip(_AFTER)) :]}"


def _has_password(host: str) -> bool:
    """Whether what stands before a slash is a user and a password, and no port."""
    _, colon, after = host.rpartition(":")
    return bool(colon) and not after.isdigit() and not host.startswith("[")
