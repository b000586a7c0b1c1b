"""A part that was described in a few words, without a file."""

from typing import Final

from benchlog.errors import UsageError
from benchlog.model import Kind, Limits, Part
from benchlog.units import format_frequency

_LOWEST_HZ: Final = 1000.0
"""No resonator and no RC oscillator of a clock is slower (common practice, no source):
16 for a quartz is 16 MHz without its unit."""
_DEVICES: Final = {
    Kind.RC: "RC oscillator",
    Kind.QUARTZ: "quartz crystal",
    Kind.TUNING_FORK: "tuning-fork crystal",
    Kind.CERAMIC: "ceramic resonator",
    Kind.TCXO: "TCXO",
    Kind.OCXO: "OCXO",
    Kind.MEMS: "MEMS oscillator",
    Kind.OTHER: "clock source",
}
"""What a person calls a device of each kind."""


def described_part(nominal_hz: float, tolerance_ppm: float, kind: Kind) -> Part:
    """Return the part of this nominal frequency and tolerance.

    Nothing else is promised: the reference is the usual 25 +-3 C. The same words give
    the same id. Raises UsageError when no device of the kind can have the frequency.
    """
    require_plausible(nominal_hz, kind)
    title = (
        f"{format_frequency(nominal_hz)} {_DEVICES[kind]}, {_tolerance(tolerance_ppm)}"
    )
    return Part(
        id=described_id(nominal_hz, tolerance_ppm, kind),
        title=title,
        kind=kind,
        nominal_hz=nominal_hz,
        limits=Limits(tolerance_ppm=tolerance_ppm),
        notes="Described on the command line; nothing else of it was stated.",
    )


def described_id(nominal_hz: float, tolerance_ppm: float, kind: Kind) -> str:
    """Return an id that tells all that is known, such as `12mhz-20ppm-quartz`."""
    words = (format_frequency(nominal_hz), _tolerance(tolerance_ppm), kind)
    return "-".join(word.replace(" ", "").replace("+", "").lower() for word in words)


def device_words(kind: Kind) -> str:
    """Return what a person calls a device of this kind."""
    return _DEVICES[kind]


def require_plausible(nominal_hz: float, kind: Kind) -> None:
    """Raise UsageError when no device of this kind runs at such a frequency."""
    if kind is Kind.OTHER or nominal_hz >= _LOWEST_HZ:
        return
    raise UsageError(
        f"a {_DEVICES[kind]} of {format_frequency(nominal_hz)}? Write the unit, as in "
        f"{nominal_hz:.12g} MHz; what really runs so slowly is of kind other"
    )


def bare_text(text: str, nominal_hz: float) -> str:
    """Say how a bare number was taken that no clock source runs at, else nothing."""
    if nominal_hz >= _LOWEST_HZ or not text.replace(".", "", 1).isdecimal():
        return ""
    taken = format_frequency(nominal_hz)
    return f"{text} is taken as {taken}; write {text}M for {text} MHz"


def _tolerance(tolerance_ppm: float) -> str:
    return f"{tolerance_ppm:.12g} ppm"
