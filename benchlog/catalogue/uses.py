"""Use files: what an application tolerates, each with its published source.

One file is one use, or several that differ only in their baud rate.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from importlib.resources.abc import Traversable
from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    TableKey,
    a_list,
    a_table,
    in_percent,
    in_ppm,
    matching,
    number,
    one_of,
    one_or_list,
    text,
    whole,
    yes_no,
)
from benchlog.catalogue.places import complete, find, is_path, read_toml, usable
from benchlog.errors import NotFoundError, Problem
from benchlog.model import BitTiming, SerialLink, Synchronisation, Use
from benchlog.units import PPM_PER_PERCENT, SECONDS_PER_DAY, as_stated

STATUSES: Final = ("verified", "derived", "secondary", "memory", "practice")
"""What is known of a tolerance: seen in the standard's own words; worked out from a
definition; seen where others quote the standard; from memory; common practice without
a source."""
_ID: Final = r"[a-z0-9]+(-[a-z0-9]+)*"
_WAYS: Final = ("ppm", "percent", "seconds_per_day")

_TABLES: Final = {
    "use": TableKey(a_table("use"), required=True),
    "tolerance": TableKey(a_table("tolerance")),
    "serial": TableKey(a_table("serial")),
    "can": TableKey(a_table("can")),
    "synchronisation": TableKey(a_table("synchronisation")),
}
_USE: Final = {
    "id": TableKey(matching("family first: usb-..., serial-..., can-...", _ID), True),
    "title": TableKey(text("what a person calls it"), required=True),
    "source": TableKey(text("the standard and its clause"), required=True),
    "status": TableKey(one_of(STATUSES), required=True),
    "note": TableKey(text("what else is to be known", longest=600), default=""),
}
_TOLERANCE: Final = {
    "ppm": TableKey(in_ppm("allowed, plus and minus, in ppm", high=1e6, above=0)),
    "percent": TableKey(in_percent("allowed, in percent", high=100, above=0)),
    "seconds_per_day": TableKey(
        number("gained or lost", high=SECONDS_PER_DAY, above=0)
    ),
    "comfortable_percent": TableKey(
        one_or_list(number("beyond is marginal", high=100, above=0)), default=()
    ),
    "shared": TableKey(yes_no("for the difference of two ends"), default=False),
    "averages": TableKey(yes_no("only the long mean matters"), default=False),
}
_SAMPLES: Final = 64  # definition: more than any receiver takes
_BAUD: Final = number("baud rate", high=1e9, above=0)
_SERIAL: Final = {
    "baud": TableKey(_BAUD),
    "bauds": TableKey(a_list("a list of baud rates, one use for each")),
    "oversampling": TableKey(
        one_or_list(whole("samples in a bit", 4, _SAMPLES)), default=(16,)
    ),
    "data_bits": TableKey(whole("in a frame", 5, 9), default=8),
    "parity": TableKey(yes_no("a parity bit follows the data"), default=False),
}
_QUANTA: Final = 64
_CAN: Final = {
    "bit_rate": TableKey(number("bits a second", high=1e9, above=0), required=True),
    "quanta": TableKey(whole("time quanta in a bit", 4, _QUANTA), required=True),
    "phase1": TableKey(whole("phase segment 1 in quanta", 1, _QUANTA), required=True),
    "phase2": TableKey(whole("phase segment 2 in quanta", 1, _QUANTA), required=True),
    "jump": TableKey(whole("synchronisation jump width", 1, _QUANTA), required=True),
}
_SYNCHRONISATION: Final = {
    "capture_percent": TableKey(
        number("off at most before it", high=100, above=0), required=True
    ),
    "bits": TableKey(whole("bits of the field that is counted", 1, 64), required=True),
    "samples": TableKey(whole("parts of a bit it is counted in", 4, 4096), default=16),
}


def load_uses() -> tuple[Use, ...]:
    """Return every use of the catalogue, sorted by id.

    Raises ConfigError with the problems of all files when any of them has one.
    """
    return complete(*list_uses())


def list_uses() -> tuple[tuple[Use, ...], tuple[Problem, ...]]:
    """Return the uses that can be used, and what is wrong with the other files."""
    files, problems = usable("uses", _load)
    uses: dict[str, Use] = {}
    for use in (use for file in files for use in file):
        uses.setdefault(use.id, use)
    return tuple(sorted(uses.values(), key=_order)), problems


def find_uses(name: str) -> tuple[Use, ...]:
    """Return the use of this id, the uses of a family (`usb`), or of a file's path.

    Raises NotFoundError with near matches, ConfigError with every problem of a file.
    """
    if is_path(name):
        return _load(find("uses", name))
    uses = load_uses()
    exact = tuple(use for use in uses if use.id == name)
    found = exact or tuple(use for use in uses if use.id.startswith(f"{name}-"))
    if not found:
        families = sorted({use.id.partition("-")[0] for use in uses})
        hint = f"(families: {', '.join(families)})"
        raise NotFoundError("use", name, [use.id for use in uses], hint)
    return found


def uses_from_mapping(document: Mapping[str, Any], file: str) -> tuple[Use, ...]:
    """Build the uses from a use file's contents; `file` names it in problems.

    Raises ConfigError with every problem.
    """
    findings = Findings(file, document)
    tables = findings.table(document, "", _TABLES)
    use = findings.table(tables["use"], "use", _USE)
    use |= _tolerance(tables, findings)
    use["bits"] = _bits(tables["can"], findings)
    links = list(_links(tables["serial"], findings))
    if use["bits"] is not None and links:
        findings.add("can", "found beside [serial]", "one of them in a file")
    use["synchronisation"] = _synchronisation(tables, findings)
    ways = max(1, len({link.oversampling for link in links}))
    comfortable = use.pop("comfortable")
    if comfortable and len(comfortable) != ways:
        expected = "one figure for each oversampling"
        findings.add(
            "tolerance.comfortable_percent", f"found {len(comfortable)}", expected
        )
    findings.finish()
    use["file"] = file
    each = [percent * PPM_PER_PERCENT for percent in comfortable] or [None] * ways
    if not links:
        return (Use(**use, comfortable_ppm=each[0]),)
    several = "bauds" in document["serial"]
    rates = [links[i : i + ways] for i in range(0, len(links), ways)]
    return tuple(_at_rate(use, rate, each, several=several) for rate in rates)


def _at_rate(
    use: Mapping[str, Any],
    links: list[SerialLink],
    comfortable: list[float | None],
    *,
    several: bool,
) -> Use:
    """Return the use at one baud rate, with what else firmware may choose."""
    said = dict(use)
    if several:
        baud = links[0].baud
        said["id"] = f"{use['id']}-{baud:.12g}"
        said["title"] = f"{use['title']}, {as_stated(baud)} Bd"
    first, *others = (
        Use(**said, serial=link, comfortable_ppm=ppm)
        for link, ppm in zip(links, comfortable, strict=True)
    )
    return replace(first, alternatives=tuple(others))


def _load(entry: Traversable) -> tuple[Use, ...]:
    return uses_from_mapping(read_toml(entry), str(entry))


def _order(use: Use) -> tuple[str, float]:
    """Sort by id, bauds of one file by number."""
    if use.serial is None:
        return use.id, 0.0
    return use.id.removesuffix(f"-{use.serial.baud:.12g}"), use.serial.baud


def _tolerance(tables: Mapping[str, Any], findings: Findings) -> dict[str, Any]:
    """Return the keys of `Use` that the table [tolerance] gives."""
    table = tables["tolerance"]
    values = findings.table(table, "tolerance", _TOLERANCE)
    given = [way for way in _WAYS if way in (table or {})]
    by_formula = tables["serial"] is not None or tables["can"] is not None
    if not given and not by_formula:
        findings.add("tolerance", "missing", "ppm, percent or seconds_per_day")
    if len(given) > 1:
        found = "found " + " and ".join(given)
        findings.add(f"tolerance.{given[1]}", found, "one of " + ", ".join(_WAYS))
    percent, per_day = values["percent"], values["seconds_per_day"]
    ppm = values["ppm"]
    if percent is not None:
        ppm = percent * PPM_PER_PERCENT
    if per_day is not None:
        ppm = per_day / SECONDS_PER_DAY * 1e6
    return {
        "tolerance_ppm": ppm,
        "comfortable": values["comfortable_percent"],
        "shared": values["shared"] or (by_formula and ppm is None),
        "averages": values["averages"],
    }


def _synchronisation(
    tables: Mapping[str, Any], findings: Findings
) -> Synchronisation | None:
    table = tables["synchronisation"]
    if table is None:
        return None
    values = findings.table(table, "synchronisation", _SYNCHRONISATION)
    if tables["serial"] is not None or tables["can"] is not None:
        found = "found beside [serial] or [can]"
        findings.add("synchronisation", found, "one of them in a file")
    if values["capture_percent"] is None or values["bits"] is None:
        return None
    capture_ppm = values.pop("capture_percent") * PPM_PER_PERCENT
    return Synchronisation(capture_ppm=capture_ppm, **values)


def _bits(table: Mapping[str, Any] | None, findings: Findings) -> BitTiming | None:
    if table is None:
        return None
    values = findings.table(table, "can", _CAN)
    numbers = [values[key] for key in ("quanta", "phase1", "phase2", "jump")]
    if None in numbers:
        return None
    quanta, phase1, phase2, jump = numbers
    if 1 + phase1 + phase2 >= quanta:
        expected = "1 (synchronisation) + a propagation segment + phase1 + phase2"
        findings.add("can.quanta", f"found {quanta}", expected)
    if jump > min(phase1, phase2):
        findings.add("can.jump", f"found {jump}", "no more than phase1 and phase2")
    return BitTiming(**values)


def _links(table: Mapping[str, Any] | None, findings: Findings) -> Iterator[SerialLink]:
    if table is None:
        return
    values = findings.table(table, "serial", _SERIAL)
    baud, bauds = values.pop("baud"), values.pop("bauds")
    oversampling = values.pop("oversampling")
    if len(set(oversampling)) < len(oversampling):
        findings.add("serial.oversampling", "found one twice", "each of them once")
        return
    if (baud is None) == (bauds is None):
        findings.add("serial.baud", "found both or neither", "baud or bauds")
        return
    rates = [baud] if bauds is None else bauds
    if not rates:
        findings.add("serial.bauds", "found an empty list", "at least one baud rate")
    for i, given in enumerate(rates):
        rate = findings.value(given, f"serial.bauds[{i}]", TableKey(_BAUD))
        if rate is not None:
            for samples in oversampling:
                yield SerialLink(baud=rate, oversampling=samples, **values)
