"""What of a line's own text is kept: what the stored number alone would lose."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.exchange.text.plain_blocks import PlainLines
from benchlog.exchange.text.token_columns import (
    DIGITS,
    EXACT_DIGITS,
    TokenColumn,
    points_of,
)

_POINT: Final = ord(".")
_ZERO: Final = ord("0")
Real = NDArray[np.float64]
Which = NDArray[np.bool_]


def kept_texts(lines: PlainLines, hertz: Real) -> list[str | None]:
    """Return the tokens that are not exactly how Python writes `hertz`, else None.

    Whether they are is seen at the token where its digits are few: then the shortest
    text that gives the number back, which Python writes, has the same digits.
    """
    data, decimals = lines.data, lines.decimals
    other = hertz != lines.written
    if decimals is None:
        other, unsure = _looked_at(data.tokens(), other)
    elif not decimals.behind:
        return list(data.tokens())
    else:
        if decimals.behind != 1:
            other |= data.last_octets() == _ZERO
        unsure = ~other
        if decimals.digits <= EXACT_DIGITS:
            unsure &= data.first_octets() == _ZERO
    return _kept(data, hertz, other, unsure)


def _looked_at(tokens: list[str], other: Which) -> tuple[Which, Which]:
    """Return which tokens are to be kept, and of which only their number tells.

    `other`: the number is not the one that the token has.
    """
    joined = "\n".join(tokens).encode()
    if joined.translate(None, DIGITS):
        return other, ~other
    ends, lengths, points, behind = points_of(joined)
    octets = np.frombuffer(joined + b"\n", np.uint8)
    padded = (octets[ends - 1] == _ZERO) & (behind != 1)
    other = other | (points == 0) | (behind == 0) | padded
    firsts = octets[ends - lengths]
    is_short = (firsts == _ZERO) | (firsts == _POINT)
    return other, ~other & ((lengths - points > EXACT_DIGITS) | is_short)


def _kept(
    data: TokenColumn, hertz: Real, other: Which, unsure: Which
) -> list[str | None]:
    kept: list[str | None] = [None] * len(data)
    for at, token in data.some_tokens(other):
        kept[at] = token
    for at, token in data.some_tokens(unsure):
        if repr(float(hertz[at])) != token:
            kept[at] = token
    return kept
