"""The text of a new part file, with comments, from the answers. Pure."""

import json
from dataclasses import dataclass
from typing import Final

from benchlog.model import Kind
from benchlog.units import format_frequency

_COLUMN: Final = 36
_CRYSTALS: Final = (Kind.QUARTZ, Kind.TUNING_FORK)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartAnswers:
    """What a data sheet promises; None where it promises nothing."""

    id: str
    title: str
    kind: Kind
    nominal_hz: float
    tolerance_ppm: float
    reference_c: float = 25.0
    stability_ppm: float | None = None
    range_c: tuple[float, float] | None = None
    ageing_ppm_per_year: float | None = None
    jitter_ppm: float | None = None
    load_pf: float | None = None


def part_text(answers: PartAnswers) -> str:
    """Return TOML that `load_part` accepts; what is not promised is a comment."""
    blocks = [_head(answers), _limits(answers), _load(answers), _rest(answers)]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _head(one: PartAnswers) -> list[str]:
    return [
        "# Made by `benchlog parts new`. Change what you like; every mistake is then",
        f"# named by `benchlog parts show {one.id}`. What is behind a # is not",
        "# promised: take the # off and put in what the data sheet states.",
        "",
        "[part]",
        _key("id", one.id, "the file's name without .toml"),
        _key("title", one.title),
        _key("kind", str(one.kind), " ".join(Kind)),
        _key("nominal_hz", one.nominal_hz, format_frequency(one.nominal_hz)),
    ]


def _limits(one: PartAnswers) -> list[str]:
    low, high = one.range_c or (-20.0, 70.0)
    promised = one.stability_ppm is not None
    return [
        "[limits]",
        _key("tolerance_ppm", one.tolerance_ppm, "+- at reference_c"),
        _key("reference_c", one.reference_c),
        _key("reference_band_c", 3.0, "within +-3 C a reading counts as it is"),
        _promise(
            "stability_ppm",
            one.stability_ppm,
            50.0,
            "+- over range_c, relative to reference_c",
        ),
        _key("range_c", [low, high], "C", off=not promised),
        _promise("ageing_ppm_per_year", one.ageing_ppm_per_year, 5.0, "+-"),
        _promise("jitter_ppm", one.jitter_ppm, 0.5, "rms at the gate in use"),
    ]


def _load(one: PartAnswers) -> list[str]:
    if one.kind not in _CRYSTALS:
        return []
    off = one.load_pf is None
    why = "what the data sheet calls CL"
    value = _key("load_pf", one.load_pf or 12.5, why, off=off)
    return ["# [load]" if off else "[load]", value]


def _rest(one: PartAnswers) -> list[str]:
    lines = [
        "# [temperature] states how it follows temperature; left out, the usual law of",
        "# its kind holds: `benchlog help over-temperature`.",
    ]
    if one.kind is Kind.OTHER:
        lines[1] = "# the kind `other` has none: `benchlog help over-temperature`."
    if one.kind is Kind.RC:
        lines += [
            "# [trim] with the codes that may be set is what `benchlog trim` needs:",
            "# `benchlog help rc-oscillators`.",
        ]
    return lines


def _key(name: str, value: object, why: str = "", *, off: bool = False) -> str:
    """Return one line of TOML, its comment in a column of its own."""
    said = f"{'# ' if off else ''}{name} = {_toml(value)}"
    return f"{said:<{_COLUMN - 1}} # {why}" if why else said


def _promise(name: str, value: float | None, example: float, why: str) -> str:
    """Return a line of what is promised; an example behind a # where nothing is."""
    off = value is None
    return _key(name, example if value is None else value, why, off=off)


def _toml(value: object) -> str:
    """Return a text, a number or a list of numbers as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, float):
        return f"{int(value):_}" if value.is_integer() else repr(value)
    return json.dumps(value, ensure_ascii=False)
