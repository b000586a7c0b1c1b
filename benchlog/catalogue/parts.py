"""Part files: what a data sheet promises.

The promises are the maker's; nothing is computed here beyond percent to ppm.
"""

from collections.abc import Mapping
from importlib.resources.abc import Traversable
from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    Shape,
    TableKey,
    a_table,
    in_hz,
    in_percent,
    in_ppm,
    matching,
    number,
    one_of,
    span,
    text,
)
from benchlog.catalogue.places import complete, find, read_toml, usable
from benchlog.errors import Problem
from benchlog.model import (
    Kind,
    Limits,
    Load,
    OperatingRange,
    Part,
    TemperatureLaw,
    TrimRange,
)
from benchlog.units import (
    PPM_PER_PERCENT,
    as_stated,
)

COEFFICIENTS: Final = {
    "line": ("linear_ppm_per_c",),
    "parabola": ("linear_ppm_per_c", "quadratic_ppm_per_c2"),
    "cubic": ("linear_ppm_per_c", "quadratic_ppm_per_c2", "cubic_ppm_per_c3"),
}
"""Temperature laws with the coefficients that each may have; the last one it must."""
_ID: Final = r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}"
_HARMFUL: Final = r"\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
_NOTES: Final = rf"[^{_HARMFUL}]{{1,4000}}"
_COLD_C: Final = -273.15
_HOT_C: Final = 1000.0

_HIGHEST_CODE: Final = 2**24


def _intervals(value: object) -> tuple[tuple[int, int], ...] | None:
    """Accept intervals of codes that rise and do not overlap."""
    if not isinstance(value, list) or not 1 <= len(value) <= 16:
        return None
    found: list[tuple[int, int]] = []
    for pair in value:
        if not (isinstance(pair, list) and [type(code) for code in pair] == [int, int]):
            return None
        low, high = pair
        above = found[-1][1] if found else -1
        if not above < low <= high <= _HIGHEST_CODE:
            return None
        found.append((low, high))
    return tuple(found)


_RESONATORS: Final = frozenset(Kind) - {Kind.RC, Kind.OTHER}
# no resonator of these kinds is made for less: common practice, no source
_LOWEST_HZ: Final = 1_000.0
_PULSE_HZ: Final = 1.0  # a pulse per second, divided down inside: that is no slip
_TABLES: Final = {
    "part": TableKey(a_table("part"), required=True),
    "limits": TableKey(a_table("limits"), required=True),
    "temperature": TableKey(a_table("temperature")),
    "load": TableKey(a_table("load")),
    "trim": TableKey(a_table("trim")),
    "supply": TableKey(a_table("supply")),
    "control": TableKey(a_table("control")),
}
_PART: Final = {
    "id": TableKey(
        matching("letters, digits, dot, dash, underscore", _ID), required=True
    ),
    "title": TableKey(text("what a person calls it"), required=True),
    "kind": TableKey(one_of(Kind), required=True),
    "nominal_hz": TableKey(in_hz("nominal frequency in Hz", high=1e12), True),
    "notes": TableKey(matching("where the figures come from", _NOTES), default=""),
}
_LIMITS: Final = {
    "tolerance_ppm": TableKey(in_ppm("at reference_c, in ppm", high=1e6, above=0)),
    "tolerance_percent": TableKey(
        in_percent("at reference_c, in percent", high=100, above=0)
    ),
    "reference_c": TableKey(number("in C", _COLD_C, _HOT_C), default=25.0),
    "reference_band_c": TableKey(number("+- in C", 0, 500), default=3.0),
    "stability_ppm": TableKey(in_ppm("over range_c, in ppm", 0, 1e6)),
    "range_c": TableKey(span("in C", _COLD_C, _HOT_C)),
    "ageing_ppm_per_year": TableKey(in_ppm("in ppm a year", 0, 1e6)),
    "jitter_ppm": TableKey(in_ppm("rms at the gate in use, in ppm", high=1e6, above=0)),
    "hysteresis_ppm": TableKey(in_ppm("rising against falling, in ppm", 0, 1e6)),
    "retrace_ppm": TableKey(in_ppm("after a day without power, in ppm", 0, 1e6)),
    "warm_up_ppm": TableKey(
        in_ppm("about the value after an hour, in ppm", high=1e6, above=0)
    ),
    "warm_up_s": TableKey(number("from power to within warm_up_ppm, in s", 0, 3600)),
    "start_up_s": TableKey(number("from power to running, in s", 0, 3600)),
    "supply_ppm": TableKey(in_ppm("+- over supply.range_v, in ppm", 0, 1e6)),
    "load_ppm": TableKey(in_ppm("+- over load.range_pf, in ppm", 0, 1e6)),
    "pull_ppm": TableKey(in_ppm("least adjustment either way, in ppm", 0, 1e6)),
    "linearity_percent": TableKey(number("of the adjustment range", high=100, above=0)),
}
_NEEDS: Final = {
    "supply_ppm": ("supply", "supply.range_v"),
    "pull_ppm": ("control", "control.range_v"),
    "linearity_percent": ("control", "control.range_v"),
}
"""Promises that mean nothing without a table of the file."""
_OPERATING: Final = {
    "nominal_v": TableKey(number("in V", -100, 100), required=True),
    "range_v": TableKey(span("in V", -100, 100), required=True),
}
_TEMPERATURE: Final = {
    "law": TableKey(one_of(COEFFICIENTS), required=True),
    "reference_c": TableKey(number("T0 in C", _COLD_C, _HOT_C), required=True),
    "linear_ppm_per_c": TableKey(number("in ppm/C", -1e5, 1e5)),
    "quadratic_ppm_per_c2": TableKey(number("in ppm/C^2", -1e4, 1e4)),
    "cubic_ppm_per_c3": TableKey(number("in ppm/C^3", -1e3, 1e3)),
}
_LOAD: Final = {
    "load_pf": TableKey(number("load capacitance in pF", high=1e4, above=0)),
    "shunt_c0_pf": TableKey(number("shunt capacitance C0 in pF", high=1e4, above=0)),
    "motional_c1_ff": TableKey(
        number("motional capacitance C1 in fF", high=1e6, above=0)
    ),
    "range_pf": TableKey(span("load capacitance in pF", 0, 1e4)),
}
_TRIM: Final = {
    "safe": TableKey(
        Shape("intervals of codes that may be set, as [[0, 127]]", _intervals), True
    ),
    "fastest_ppm": TableKey(number("in ppm above nominal", high=1e6, above=0)),
    "settle_s": TableKey(number("after a new code, in s", 0, 60), default=0.05),
}


def load_part(name_or_path: str) -> Part:
    """Return the part of this name, or of the file at this path.

    Raises NotFoundError with near matches, ConfigError with every problem of the file.
    """
    return _load(find("parts", name_or_path))


def load_parts() -> tuple[Part, ...]:
    """Return every part of the catalogue, sorted by name.

    Raises ConfigError with the problems of all files when any of them has one.
    """
    return complete(*list_parts())


def list_parts() -> tuple[tuple[Part, ...], tuple[Problem, ...]]:
    """Return the parts that can be used, and what is wrong with the other files."""
    return usable("parts", _load)


def part_from_mapping(document: Mapping[str, Any], file: str) -> Part:
    """Build a part from a part file's contents; `file` names it in problems.

    Raises ConfigError with every problem.
    """
    findings = Findings(file, document)
    tables = findings.table(document, "", _TABLES)
    part = findings.table(tables["part"], "part", _PART)
    limits = _limits(tables["limits"], findings)
    _ask_back(part["kind"], part["nominal_hz"], findings)
    temperature = _temperature(tables["temperature"], findings)
    load = findings.table(tables["load"], "load", _LOAD)
    trim = None
    if tables["trim"] is not None:
        trim = findings.table(tables["trim"], "trim", _TRIM)
    operating = {
        name: _operating(tables[name], name, findings) for name in ("supply", "control")
    }
    _check_needs(tables, findings)
    findings.finish()
    return Part(
        id=part["id"],
        title=part["title"],
        kind=Kind(part["kind"]),
        nominal_hz=part["nominal_hz"],
        limits=limits,
        temperature=temperature,
        load=Load(**load),
        trim=None if trim is None else TrimRange(**trim),
        **operating,
        notes=part["notes"].strip(),
        file=file,
    )


def _load(entry: Traversable) -> Part:
    return part_from_mapping(read_toml(entry), str(entry))


def _limits(table: Mapping[str, Any] | None, findings: Findings) -> Limits:
    """Check the promises; what is returned is only good if there was no problem."""
    values = findings.table(table, "limits", _LIMITS)
    given = table or {}
    percent = values.pop("tolerance_percent")
    ways = [key for key in ("tolerance_ppm", "tolerance_percent") if key in given]
    if table is not None and not ways:
        findings.add("limits.tolerance_ppm", "missing", "this or tolerance_percent")
    if len(ways) == 2:
        expected = "either tolerance_ppm or tolerance_percent"
        findings.add("limits.tolerance_percent", "found both tolerances", expected)
    if values["tolerance_ppm"] is None:
        values["tolerance_ppm"] = (percent or 0.0) * PPM_PER_PERCENT
    if "stability_ppm" in given and "range_c" not in given:
        expected = "the range over which stability_ppm holds"
        findings.add("limits.range_c", "missing", expected)
    _check_range(values, findings)
    return Limits(**values)


def _ask_back(kind: str | None, nominal_hz: float | None, findings: Findings) -> None:
    """Ask whether a frequency that no resonator has lacks its unit."""
    if kind not in _RESONATORS or nominal_hz is None or nominal_hz == _PULSE_HZ:
        return
    if nominal_hz >= _LOWEST_HZ:
        return
    unit = "kHz" if kind == Kind.TUNING_FORK else "MHz"
    findings.add(
        "part.nominal_hz",
        f"found {as_stated(nominal_hz)} Hz for a {kind}",
        f"the frequency in Hz: is {as_stated(nominal_hz)} {unit} meant? (a source "
        "that really "
        f'runs below {as_stated(_LOWEST_HZ)} Hz is of kind = "other")',
    )


def _check_range(values: Mapping[str, Any], findings: Findings) -> None:
    reference_c, range_c = values["reference_c"], values["range_c"]
    if range_c is not None and not range_c[0] <= reference_c <= range_c[1]:
        found = f"found [{as_stated(range_c[0])}, {as_stated(range_c[1])}]"
        expected = f"a range around reference_c = {as_stated(reference_c)}"
        findings.add("limits.range_c", found, expected)


def _operating(
    table: Mapping[str, Any] | None, name: str, findings: Findings
) -> OperatingRange | None:
    """Check a voltage and its range; the nominal one lies within."""
    if table is None:
        return None
    values = findings.table(table, name, _OPERATING)
    nominal_v, range_v = values["nominal_v"], values["range_v"]
    if nominal_v is None or range_v is None:
        return None
    if not range_v[0] <= nominal_v <= range_v[1]:
        found = f"found [{as_stated(range_v[0])}, {as_stated(range_v[1])}]"
        expected = f"a range around nominal_v = {as_stated(nominal_v)}"
        findings.add(f"{name}.range_v", found, expected)
    return OperatingRange(nominal_v, range_v)


def _check_needs(tables: Mapping[str, Any], findings: Findings) -> None:
    """Note promises whose range the file does not have."""
    limits, load = tables["limits"] or {}, tables["load"] or {}
    for name, (table, missing) in _NEEDS.items():
        if name in limits and tables[table] is None:
            findings.add(missing, "missing", f"the range over which {name} holds")
    if "load_ppm" in limits and "range_pf" not in load:
        expected = "the range over which load_ppm holds"
        findings.add("load.range_pf", "missing", expected)
    pair = ("warm_up_ppm", "warm_up_s")
    given = [key for key in pair if key in limits]
    if len(given) == 1:
        absent = next(key for key in pair if key not in given)
        findings.add(f"limits.{absent}", "missing", f"both of {' and '.join(pair)}")


def _temperature(
    table: Mapping[str, Any] | None, findings: Findings
) -> TemperatureLaw | None:
    if table is None:
        return None
    values = findings.table(table, "temperature", _TEMPERATURE)
    law = values["law"]
    if law is None:
        return None
    allowed = COEFFICIENTS[law]
    if allowed[-1] not in table:
        key, expected = f"temperature.{allowed[-1]}", f"the coefficient of a {law}"
        findings.add(key, "missing", expected)
    for name in COEFFICIENTS["cubic"]:
        if name in table and name not in allowed:
            expected = f"only {', '.join(allowed)} in a {law}"
            findings.add(f"temperature.{name}", f"found in a {law}", expected)
        values[name] = values[name] or 0.0
    return TemperatureLaw(**values)
