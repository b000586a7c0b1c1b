"""Whether a dialect is one that a driver can use, before anything is sent."""

import re

from benchlog.driver import Driver
from benchlog.errors import RefusedError
from benchlog.model import Dialect

from ._numbers import converts


def checked_dialect(driver: Driver, talks: str, *, any_unit: bool = False) -> Dialect:
    """Return the driver's `dialect` option. Raises RefusedError when it is of no use.

    `talks` is what the driver needs, `scpi` or `line`. With `any_unit` the dialect's
    unit is not looked at.
    """
    dialect = driver.settings["dialect"]
    if not isinstance(dialect, Dialect):
        raise RefusedError(f"dialect {dialect!r} was not read from its file")
    fault = ""
    if dialect.talks != talks:
        fault = f"talks is {dialect.talks!r}, this driver needs {talks!r}"
    elif not any_unit and not converts(dialect.unit, driver.unit):
        fault = (
            f"its replies are in {dialect.unit!r}, this driver needs {driver.unit!r}"
        )
    else:
        fault = _pattern_fault(dialect.reply)
    if fault:
        raise RefusedError(
            f"dialect {dialect.name!r} does not fit {driver.address}: {fault}; choose "
            "another dialect or driver",
            address=driver.address,
        )
    return dialect


def _pattern_fault(pattern: str) -> str:
    try:
        groups = re.compile(pattern).groupindex
    except re.error as error:
        return f"its reply pattern is no regular expression ({error})"
    return "" if "value" in groups else "its reply pattern has no group 'value'"
