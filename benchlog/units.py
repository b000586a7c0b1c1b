"""Hertz, ppm, seconds per day, times and durations: reading, converting, printing.

Nothing here knows about devices or runs; the numbers are plain floats.
"""

import math
import re
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

SECONDS_PER_DAY: Final = 86_400.0
NS_PER_S: Final = 1_000_000_000
PPM_PER_PERCENT: Final = 10_000.0

LONGEST_NUMBER: Final = 64
"""Characters of a number that is read, with its unit; our rule: of a 64-bit float's
digits at most 17 count, and longer ones may take the square of the time to read."""
_DURATION: Final = r"(\d+(?:\.\d+)?)(ms|s|m|h|d)"
_DURATION_S: Final = {"ms": 0.001, "s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_PREFIXES: Final = ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz"))
_DIGITS: Final = r"(?:[0-9]+(?:[ _][0-9]{3})*(?:\.[0-9]*)?|\.[0-9]+)"
_NUMBER: Final = rf"{_DIGITS}(?:[eE][+-]?[0-9]{{1,3}})?"
_FREQUENCY: Final = rf"({_NUMBER}) ?([kKMmGg]?)(?:[hH][zZ])?"
_TOLERANCE: Final = rf"(?i)(?:\+-|\+/-|±)? ?({_NUMBER}) ?(ppm|ppb|%|percent|)"
_HZ_DIGITS: Final = {"": 0, "k": 3, "m": 6, "g": 9}
_PPM_DIGITS: Final = {"ppm": 0, "ppb": -3, "%": 4, "percent": 4, "": 6}
_MINUS: Final = "-"
# a figure by itself: not a part of an id such as `KX-4e12`, or of a UUID
_POWER = re.compile(
    r"(?<![\w.])(?<![\w.][-:/#])(\d(?:\.\d+)?)e([-+]?\d{1,3})(?!\w|[-.:/#]\w)"
)
_PADDED = re.compile(r"e(?:\+|(-))?0*(?=\d)")
_SMALL: Final = 1e-3  # figures below are written in powers of ten; our rule
_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_EVEN: Final = 3.0  # one side of an interval over the other, up to which it is even


def offset_ppm(frequency_hz: float, nominal_hz: float) -> float:
    """Fractional frequency offset (f - f0)/f0 in ppm; positive runs fast."""
    return (frequency_hz - nominal_hz) / nominal_hz * 1e6


def frequency_hz(offset_ppm_: float, nominal_hz: float) -> float:
    """Return the frequency that has this offset from nominal."""
    return nominal_hz * (1.0 + offset_ppm_ * 1e-6)


def hz_of_ppm(ppm: float, nominal_hz: float) -> float:
    """Return the frequency difference in Hz that `ppm` of `nominal_hz` is."""
    return ppm * 1e-6 * nominal_hz


def seconds_per_day(ppm: float) -> float:
    """Return the seconds a clock gains (+) or loses (-) in a day at `ppm`."""
    return ppm * 1e-6 * SECONDS_PER_DAY


def parse_duration_s(text: str) -> float:
    """Read `90s`, `10m`, `12h`, `1h30m`, `250ms` as seconds.

    Raises ValueError with the accepted forms when the text is not a duration.
    """
    compact = _one_blank(text).lower()
    parts = re.findall(_DURATION, compact)
    total = sum(float(number) * _DURATION_S[unit] for number, unit in parts)
    whole = "".join(number + unit for number, unit in parts)
    if not parts or whole != compact or not 0 < total < math.inf:
        raise ValueError(
            f"{text!r} is not a duration; write for example 90s, 10m, 12h or 1h30m"
        )
    return total


def parse_frequency_hz(text: str) -> float:
    """Read `16 MHz`, `16e6`, `32.768k`, `1 Hz` as hertz, exact to the last bit.

    The prefixes are k, M and G of the SI; K and g are taken for k and G. An `m` is
    milli there and mega on many a bench, so it is refused. Raises ValueError with what
    to write instead.
    """
    found = re.fullmatch(_FREQUENCY, _one_blank(text))
    if found is None:
        why = _comma_fault(text)
        raise ValueError(
            f"{text!r} is not a frequency{why}; write for example 16 MHz, 32.768k, "
            "16e6 or 1 Hz"
        )
    number, prefix = found.groups()
    if prefix == "m":
        raise ValueError(
            f"{text!r} could be mega or milli: write {number} MHz for megahertz, or "
            f"{_exact(number, -3)} Hz for millihertz"
        )
    return _scaled(number, _HZ_DIGITS[prefix.lower()], text, "a frequency")


def parse_tolerance_ppm(text: str) -> float:
    """Read `20ppm`, `0.5 %`, `50 ppb`, `+-30 ppm` or a fraction as `1e-6`, as ppm.

    A bare number is a fraction, and only where it has an exponent: `20` could be ppm or
    percent. Raises ValueError with what to write instead.
    """
    found = re.fullmatch(_TOLERANCE, _one_blank(text))
    number, unit = found.groups() if found else ("", "")
    if found is None or not (unit or "e" in number.lower()):
        why = f", it has no unit: {number} ppm?" if found else _comma_fault(text)
        raise ValueError(
            f"{text!r} is not a tolerance{why}; write for example 20ppm, 0.5 %, 50 ppb "
            "or 1e-6"
        )
    return _scaled(number, _PPM_DIGITS[unit.lower()], text, "a tolerance")


def _one_blank(text: str) -> str:
    """Return the text with every run of blanks as one, none at its ends.

    Raises ValueError for what is longer than any number.
    """
    if len(text) > LONGEST_NUMBER:
        raise ValueError(
            f"{text[:20]!r}... has more than {LONGEST_NUMBER} characters, no number has"
        )
    return " ".join(text.split())


def _comma_fault(text: str) -> str:
    return ": decimals follow a point, and digits take no comma" if "," in text else ""


def _scaled(number: str, digits: int, text: str, what: str) -> float:
    """Return number * 10^digits, rounded once. Raises ValueError unless above zero."""
    value = float(_exact(number, digits))
    if not 0 < value < math.inf:
        raise ValueError(f"{text!r} is not {what}: it must be above zero and finite")
    return value


def _exact(number: str, digits: int) -> Decimal:
    return Decimal(number.replace(" ", "").replace("_", "")).scaleb(digits)


def counted(count: int, what: str) -> str:
    """Print how many there are: `1 gap`, `2 gaps`, `1,000 gaps`."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def format_duration(seconds: float) -> str:
    """Print a duration as a person says it: `8 s`, `4 min 05 s`, `11 h 58 min`."""
    if seconds < 0 or not math.isfinite(seconds):
        return "-"
    if seconds < 60:
        return f"{seconds:.3g} s" if seconds < 10 else f"{round(seconds)} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    hours, rest = divmod(whole, 3600)
    if hours < 48:
        return f"{hours} h {rest // 60:02d} min"
    return f"{hours // 24} d {hours % 24} h"


def format_frequency(hz: float) -> str:
    """Print a nominal frequency without loss: `16 MHz`, `32.768 kHz`, `1 Hz`."""
    for scale, unit in _PREFIXES:
        if abs(hz) >= scale:
            return f"{hz / scale:.12g} {unit}"
    return f"{hz:.12g} Hz"


def decimals_for(uncertainty: float) -> int:
    """Return how many decimals show two significant digits of `uncertainty`."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 3
    return max(0, min(12, 1 - math.floor(math.log10(uncertainty))))


def format_ppm(ppm: float | None, u_ppm: float | None = None) -> str:
    """Print a signed ppm figure, rounded to its uncertainty when that is known."""
    if ppm is None or not math.isfinite(ppm):
        return "-"
    places = decimals_for(u_ppm) if u_ppm is not None else 3
    text = f"{ppm:+,.{places}f}"
    zero = float(text.replace(",", "")) == 0.0
    return text.lstrip("+-") if zero else text.replace("-", _MINUS)


def format_u_ppm(u_ppm: float | None) -> str:
    """Print an expanded uncertainty with two significant digits, without sign."""
    if u_ppm is None or not math.isfinite(u_ppm):
        return "-"
    return f"{u_ppm:,.{decimals_for(u_ppm)}f}"


def as_stated(value: float, most: int = 10) -> str:
    """Return a number as a person or a data sheet stated it: no digit lost or added.

    A limit, a gate, a range: digits in groups of three, `1,234.5` and `1e-5`; at `most`
    so many of a number that was worked out, a spacing of time stamps.
    """
    return _unpadded(f"{float(f'{value:.{most}g}'):,.10g}")


def three_digits(value: float, *, powers: bool = False) -> str:
    """Return a figure with three significant digits: `12,345`, `0.0123`, `1.80e-5`.

    `powers` writes it as a power of ten, however large it is.
    """
    return _digits(value, 3, math.inf if powers else _SMALL)


def two_digits(value: float, *, powers: bool = False) -> str:
    """Return a figure with two significant digits, where three are not worth it."""
    return _digits(value, 2, math.inf if powers else _SMALL)


def signed_digits(value: float, *, powers: bool = False) -> str:
    """Return a figure with its sign and three significant digits."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    return ("+" if value > 0 else _MINUS) + three_digits(abs(value), powers=powers)


def interval_texts(
    value: float, low: float, high: float, *, signed: bool = True, powers: bool = False
) -> tuple[str, str, str]:
    """Return an estimate and the ends of its interval, to the digits that it is worth:
    two of its half-width; three of each figure where the interval is far from even.

    What cannot be negative (a scatter, a deviation, a share) is told without a sign.
    `powers` writes powers of ten, however large the figures are.
    """
    sides, figures = (value - low, high - value), (value, low, high)
    if not 0 < max(sides) < _EVEN * min(sides):
        each = signed_digits if signed else three_digits
        value_text, low_text, high_text = (each(x, powers=powers) for x in figures)
        return value_text, low_text, high_text
    half = max(sides)
    if powers or max(map(abs, figures)) < _SMALL:
        told = tuple(_to_the_digit_of(half, figure) for figure in figures)
    else:
        told = tuple(format_ppm(figure, half) for figure in figures)
    value_text, low_text, high_text = told if signed else (t.lstrip("+") for t in told)
    return value_text, low_text, high_text


def ends_texts(low: float, high: float) -> tuple[str, str]:
    """Return the ends of a range, signed, to two digits of half of what it spans."""
    return interval_texts((low + high) / 2, low, high)[1:]


def _digits(value: float, count: int, small: float) -> str:
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    rounded = float(f"{value:.{count - 1}e}")
    if abs(rounded) < small:
        return _unpadded(f"{rounded:.{count - 1}e}")
    return f"{value:,.{max(0, count - 1 - math.floor(math.log10(abs(rounded))))}f}"


def _to_the_digit_of(half: float, value: float) -> str:
    """Return a small signed figure in powers of ten, to two digits of `half`."""
    last = math.floor(math.log10(half)) - 1
    if abs(value) < 10.0**last:
        return "0"
    return _unpadded(f"{value:+.{math.floor(math.log10(abs(value))) - last}e}")


def _unpadded(text: str) -> str:
    """Write `1e-05` as `1e-5`."""
    return _PADDED.sub(r"e\1", text)


def in_powers(text: str) -> str:
    """Return a text whose numbers like `2.1e-09` are written as `2.1 × 10⁻⁹`."""
    return _POWER.sub(
        lambda found: f"{found[1]} × 10{str(int(found[2])).translate(_RAISED)}", text
    )


def percent(probability: float) -> str:
    """Return a probability; what is nearly certain never reads as 0 or 100 %."""
    if probability > 0.9999:
        return "> 99.99 %"
    return "< 0.01 %" if probability < 0.0001 else f"{probability * 100:.2f} %"


def small_time(seconds: float) -> str:
    """Print a small time with three significant digits: `52.3 us`."""
    for scale, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
        if seconds >= scale:
            return f"{three_digits(seconds / scale)} {unit}"
    return "0 s" if seconds == 0 else f"{seconds:.3g} s"


def iso_utc(utc_ns: int | None) -> str | None:
    """Print a UTC time stamp as ISO 8601 to the millisecond; unknown stays None."""
    if utc_ns is None or utc_ns < 0:
        return None
    moment = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    ms = utc_ns % NS_PER_S // 1_000_000
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{ms:03d}Z"


def printable(text: str) -> str:
    """Make hostile text harmless to print: control characters become visible.

    Terminal escapes, line breaks and bidirectional overrides would otherwise let
    a device id or an instrument's reply rewrite the screen.
    """
    if text.isprintable():  # nearly all are; none of what is made visible is printable
        return text
    return "".join(ch if _is_harmless(ch) else f"\\x{ord(ch):02x}" for ch in text)


def _is_harmless(ch: str) -> bool:
    bidirectional = "\u202a" <= ch <= "\u202e" or "\u2066" <= ch <= "\u2069"
    surrogate = "\ud800" <= ch <= "\udfff"
    return (ch.isprintable() or ch == " ") and not bidirectional and not surrogate
