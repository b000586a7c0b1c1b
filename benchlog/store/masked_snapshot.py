"""What others are told of a run's snapshot: all but the secrets of its instruments."""

from collections.abc import Mapping
from typing import Final

from benchlog.masking import MASK, is_secret, masked
from benchlog.store.snapshot import Plain, benches_of, to_plain

_WORDS_OF_A_PROGRAM: Final = ("arguments",)
"""Options whose text goes to a program; our rule: tokens are given in such words."""


def told_to_others(snapshot: Mapping[str, object]) -> Plain:
    """Return a snapshot as an export carries it: no secret of an instrument.

    No password in an address, whichever option it stands in, no option that is a secret
    by its name, and none of the words for a program; so too of the run that an import
    was of.
    """
    plain: Plain = to_plain(snapshot)
    for bench in benches_of(plain):
        for spec in _specs(bench):
            if isinstance(options := spec.get("options"), dict):
                options.update({k: MASK for k in _WORDS_OF_A_PROGRAM if options.get(k)})
            spec.update({key: _masked_in(value) for key, value in spec.items()})
    return plain


def with_masked_addresses(snapshot: Mapping[str, object]) -> Plain:
    """Return a snapshot as UUIDs of old runs were derived from it: never changed."""
    plain: Plain = to_plain(snapshot)
    bench = plain.get("bench")
    for spec in _specs(bench) if isinstance(bench, dict) else ():
        if isinstance(spec.get("address"), str):
            spec["address"] = masked(spec["address"])
    return plain


def _specs(bench: Plain) -> list[Plain]:
    """Return the instruments of a bench, as far as they are any."""
    given = bench.get("instruments")
    found = given.values() if isinstance(given, dict) else ()
    return [spec for spec in found if isinstance(spec, dict)]


def _masked_in(value: object) -> object:
    """Return `value` with the secrets of all addresses in it masked."""
    if isinstance(value, str):
        return masked(value)
    if isinstance(value, dict):
        return {
            key: MASK if one and is_secret(str(key)) else _masked_in(one)
            for key, one in value.items()
        }
    return [_masked_in(one) for one in value] if isinstance(value, list) else value
