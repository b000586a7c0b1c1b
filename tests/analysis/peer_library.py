"""AllanTools, which figures are held against; imported once a test asks for it.

It brings half of scipy (0.5 s of processor time), which each worker would import while
tests are collected, whether or not it runs one of these.
"""

from collections.abc import Callable
from typing import Any


def peer_function(name: str) -> Callable[..., Any]:
    """Return a function of the library, such as `oadev`."""
    import allantools

    return getattr(allantools, name)
