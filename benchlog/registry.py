"""Finding drivers: names without importing anything, one by name, all with reasons.

Drivers are found through the entry-point group `benchlog.drivers`; a stranger's package
counts as much as ours, and a broken one is named, not fatal.
"""

import sys
from dataclasses import dataclass
from functools import cache
from importlib.metadata import EntryPoint, EntryPoints, entry_points

from benchlog.driver import Driver
from benchlog.errors import BenchlogError, NotFoundError

GROUP = "benchlog.drivers"


@dataclass(frozen=True, slots=True)
class Listed:
    """One driver of the list: its class, or the reason why it cannot be had."""

    name: str
    driver: type[Driver] | None
    reason: str = ""


def names() -> tuple[str, ...]:
    """Return the names of all installed drivers; imports none of them."""
    return tuple(sorted({point.name for point in _installed()}))


def load(name: str) -> type[Driver]:
    """Import one driver.

    Raises NotFoundError when no such driver is installed, BenchlogError naming the
    package when it is installed but broken.
    """
    points = [point for point in _installed() if point.name == name]
    if not points:
        raise NotFoundError("driver", name, names())
    return _import(points[0])


def load_all() -> tuple[Listed, ...]:
    """Import every driver; the broken ones carry their reason."""
    return tuple(_listed(point) for point in sorted(_installed()))


def _installed() -> EntryPoints:
    return _installed_in(tuple(sys.path))


@cache
def _installed_in(_: tuple[str, ...]) -> EntryPoints:
    """Return the drivers of all packages in folders, which are looked through once.

    That takes 7 ms, and a bench asks for each of its instruments.
    """
    return entry_points(group=GROUP)


def _listed(point: EntryPoint) -> Listed:
    try:
        return Listed(point.name, _import(point))
    except BenchlogError as error:
        return Listed(point.name, None, str(error))


def _import(point: EntryPoint) -> type[Driver]:
    try:
        found = point.load()
    except Exception as error:
        raise BenchlogError(
            f"driver {point.name!r} ({point.value}) is installed but broken: "
            f"{type(error).__name__}: {error}"
        ) from error
    if not (isinstance(found, type) and issubclass(found, Driver)):
        raise BenchlogError(
            f"driver {point.name!r} ({point.value}) is not a benchlog.driver.Driver"
        )
    return found
