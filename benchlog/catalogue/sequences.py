"""Sequence files: the steps that a rack of devices is taken through.

A step that names points along a way becomes one step for each of them.
"""

from collections.abc import Iterator, Mapping
from collections.abc import Sequence as Listed
from dataclasses import replace
from importlib.resources.abc import Traversable
from typing import Any, Final

from benchlog.catalogue.check import (
    Findings,
    Shape,
    TableKey,
    a_list,
    a_table,
    matching,
    number,
    one_of,
    shown,
    span,
    text,
    whole,
    yes_no,
)
from benchlog.catalogue.places import find, read_toml, usable
from benchlog.errors import Problem
from benchlog.model import (
    CHARACTERISTICS,
    LATE,
    PLACES,
    Drive,
    DrivePlace,
    Loop,
    Sequence,
    SettledRule,
    Step,
    Target,
)
from benchlog.units import as_stated, format_duration, parse_duration_s

MOST_STEPS: Final = 10_000
"""Steps of a sequence with its loops unrolled; our rule: a year of hours."""
_LONGEST_S: Final = 400 * 86_400.0  # our rule: a year and a month
_SLOWEST: Final = 0.001  # derived: 600 C, the widest there is, in `_LONGEST_S`
_MOST_POINTS: Final = 200
_ID: Final = r"[a-z0-9]+(-[a-z0-9]+)*"
DRIVE_KEYS: Final = {
    "temperature_c": Drive.TEMPERATURE,
    "supply_v": Drive.SUPPLY,
    "control_v": Drive.CONTROL,
    "load_pf": Drive.LOAD,
}
_RANGES: Final = {
    "temperature_c": (-200.0, 400.0),
    "supply_v": (-100.0, 100.0),
    "control_v": (-100.0, 100.0),
    "load_pf": (0.0, 1e4),
}
"""What no sequence goes beyond, whatever part and rack may do; our rule."""


def _duration(meaning: str) -> Shape:
    """Return the shape of a time as people write it, in seconds."""

    def accept(value: object) -> float | None:
        if not isinstance(value, str):
            return None
        seconds = parse_duration_s(value)
        if seconds > _LONGEST_S:
            raise ValueError(f"at most {format_duration(_LONGEST_S)}")
        return seconds

    return Shape(f'a duration such as "90s" or "1h30m": {meaning}', accept)


ANEW: Final = "each"
"""In place of on or off: power goes off and on anew for each device."""
_POWER: Final = {"on": True, "off": False, ANEW: ANEW}


def _power() -> Shape:
    """Return the shape of what is done to the power of the devices."""
    word = one_of(tuple(_POWER))
    return Shape(
        f"on, off, or {ANEW}: off and on anew for each device",
        lambda value: None if word.accept(value) is None else _POWER[str(value)],
    )


_TABLES: Final = {
    "sequence": TableKey(a_table("sequence"), required=True),
    "settled": TableKey(a_table("settled")),
    "bounds": TableKey(a_table("bounds")),
    "step": TableKey(a_list("a list of tables [[step]]"), required=True),
}
_SEQUENCE: Final = {
    "id": TableKey(matching("small letters, digits, dashes", _ID), required=True),
    "title": TableKey(text("what a person calls it"), required=True),
    "source": TableKey(text("the standard and its clause"), required=True),
    "finds": TableKey(a_list("a list of characteristics"), required=True),
    "note": TableKey(text("what else is to be known", longest=600), default=""),
}
_SETTLED: Final = {
    "device_ppm_per_min": TableKey(
        number("slope of a device", high=1e6, above=0), default=0.05
    ),
    "probe_c_per_min": TableKey(
        number("slope of the probe", high=100, above=0), default=0.2
    ),
    "probe_band_c": TableKey(
        number("+- of the probe about where it was sent", high=50, above=0),
        default=1.0,
    ),
    "window": TableKey(_duration("what slopes are taken over"), default=120.0),
}
_BOUNDS: Final = {
    key: TableKey(span("never beyond", *ends)) for key, ends in _RANGES.items()
}
_WAY: Final = {
    "from": TableKey(one_of(PLACES), required=True),
    "to": TableKey(one_of(PLACES), required=True),
    "share": TableKey(number("of the way", 0, 1)),
    "points": TableKey(whole("places along the way, its ends among them", 2, 200)),
}
_STEP: Final = {
    "name": TableKey(text("what a person calls it", longest=60), required=True),
    "ramp_c_per_min": TableKey(number("in C a minute", _SLOWEST, 1000)),
    "power": TableKey(_power()),
    "settle": TableKey(yes_no("whether it waits until devices have settled")),
    "wait": TableKey(_duration("waited after that"), default=0.0),
    "gates": TableKey(whole("gates of each device", 1, 100_000), default=0),
    "scan_for": TableKey(_duration("scanned over and over for so long")),
    "at_most": TableKey(_duration("how long it may take to settle"), default=7200.0),
    "late": TableKey(one_of(LATE), default=LATE[0]),
}
_LOOP: Final = {
    "times": TableKey(whole("how often", 1, MOST_STEPS), required=True),
    "every": TableKey(_duration("from one pass to the next, at least"), default=0.0),
    "step": TableKey(a_list("a list of tables [[step.step]]"), required=True),
}


def load_sequence(name_or_path: str) -> Sequence:
    """Return the sequence of this name, or of the file at this path.

    Raises NotFoundError with near matches, ConfigError with every problem of the file.
    """
    return _load(find("sequences", name_or_path))


def list_sequences() -> tuple[tuple[Sequence, ...], tuple[Problem, ...]]:
    """Return the sequences that can be used, and what is wrong with other files."""
    return usable("sequences", _load)


def sequence_from_mapping(document: Mapping[str, Any], file: str) -> Sequence:
    """Build a sequence from its file's contents; `file` names it in problems.

    Raises ConfigError with every problem.
    """
    findings = Findings(file, document)
    tables = findings.table(document, "", _TABLES)
    head = findings.table(tables["sequence"], "sequence", _SEQUENCE)
    settled = findings.table(tables["settled"], "settled", _SETTLED)
    limits = findings.table(tables["bounds"], "bounds", _BOUNDS)
    steps = tuple(_Steps(findings).each(tables["step"] or [], "step"))
    finds = tuple(_finds(head.pop("finds") or [], findings))
    if isinstance(document.get("step"), list) and not document["step"]:
        findings.add("step", "found an empty list", "at least one [[step]]")
    _check_count(steps, findings)
    findings.finish()
    window_s = settled.pop("window")
    return Sequence(
        **head,
        finds=finds,
        steps=steps,
        settled=SettledRule(**settled, window_s=window_s),
        bounds={DRIVE_KEYS[k]: ends for k, ends in limits.items() if ends is not None},
        file=file,
    )


def _load(entry: Traversable) -> Sequence:
    return sequence_from_mapping(read_toml(entry), str(entry))


def _finds(given: Listed[object], findings: Findings) -> Iterator[str]:
    """Yield what it finds, each once."""
    shape = one_of(CHARACTERISTICS)
    seen: set[object] = set()
    for index, one in enumerate(given):
        found = findings.value(one, f"sequence.finds[{index}]", TableKey(shape))
        if found in seen:
            findings.add(f"sequence.finds[{index}]", "found twice", "each of them once")
        if found is not None:
            seen.add(found)
            yield found


def _check_count(steps: Listed[Step | Loop], findings: Findings) -> None:
    """Note it where loops make more steps than anybody can mean."""
    total = sum(
        one.times * len(one.steps) if isinstance(one, Loop) else 1 for one in steps
    )
    if total > MOST_STEPS:
        expected = f"at most {MOST_STEPS} steps with all loops gone through"
        findings.add("step", f"found {total}", expected)


class _Steps:
    """Reads `[[step]]`, and `[[step.step]]` within a loop."""

    def __init__(self, findings: Findings) -> None:
        self.findings = findings

    def each(self, tables: Listed[object], path: str) -> Iterator[Step | Loop]:
        """Yield each step, or each of a way's points, and each loop."""
        for index, table in enumerate(tables):
            where = f"{path}[{index}]"
            if isinstance(table, Mapping) and "step" in table:
                loop = self._loop(table, where)
                if loop is not None:
                    yield loop
            else:
                yield from self._points(table, where)

    def _loop(self, table: Mapping[str, Any], path: str) -> Loop | None:
        values = self.findings.table(table, path, _LOOP)
        steps: list[Step] = []
        for index, one in enumerate(values["step"] or []):
            where = f"{path}.step[{index}]"
            if isinstance(one, Mapping) and "step" in one:
                expected = "steps only; a loop holds no loop"
                self.findings.add(f"{where}.step", "found a loop in a loop", expected)
            else:
                steps.extend(self._points(one, where))
        if not steps:
            self.findings.add(f"{path}.step", "found no step", "at least one step")
        if values["times"] is None:
            return None
        return Loop(times=values["times"], steps=tuple(steps), every_s=values["every"])

    def _points(self, table: object, path: str) -> Iterator[Step]:
        """Yield the step of a table, or one for each point of its ways."""
        shapes = {key: TableKey(_place(key)) for key in DRIVE_KEYS}
        values = self.findings.table(table, path, {**_STEP, **shapes})
        given = table if isinstance(table, Mapping) else {}
        ways = {
            key: self._places(given[key], f"{path}.{key}", ends)
            for key, ends in _RANGES.items()
            if key in given
        }
        step = _step(values, settles="temperature_c" in ways or values["power"] is True)
        self._check(step, given, path)
        longest = max((len(way) for way in ways.values()), default=1)
        if any(len(way) not in (1, longest) for way in ways.values()):
            expected = "as many points for each drive of a step"
            self.findings.add(path, "found ways of different lengths", expected)
            return
        for point in range(longest):
            targets = tuple(
                Target(DRIVE_KEYS[key], way[point if len(way) > 1 else 0])
                for key, way in ways.items()
                if way
            )
            name = step.name if longest == 1 else f"{step.name} {point + 1}"
            yield replace(step, name=name, targets=targets)

    def _places(
        self, given: object, path: str, ends: tuple[float, float]
    ) -> tuple[DrivePlace, ...]:
        """Return where a drive is set: one place, or those along a way."""
        if isinstance(given, str):
            return (DrivePlace(between=(given, given)),)
        if not isinstance(given, Mapping):
            found = number("", *ends).accept(given)
            return () if found is None else (DrivePlace(value=found),)
        values = self.findings.table(given, path, _WAY)
        way = (values["from"] or PLACES[0], values["to"] or PLACES[0])
        share, points = values["share"], values["points"]
        if (share is None) == (points is None):
            self.findings.add(path, "found both or neither", "either share or points")
            return ()
        if points is None:
            return (DrivePlace(between=way, share=share),)
        return tuple(
            DrivePlace(between=way, share=i / (points - 1)) for i in range(points)
        )

    def _check(self, step: Step, given: Mapping[str, Any], path: str) -> None:
        """Note what does not go together in one step."""
        if step.ramp_per_min is not None and "temperature_c" not in given:
            expected = "temperature_c in the same step"
            self.findings.add(f"{path}.ramp_c_per_min", "found alone", expected)
        if step.power is False and step.gates:
            expected = "no gates while the devices are off"
            self.findings.add(f"{path}.gates", f"found {step.gates}", expected)
        if step.scan_s is not None and not step.gates:
            self.findings.add(f"{path}.gates", "missing", "gates for each scan")
        if step.anew and not (step.gates and step.scan_s and step.wait_s):
            expected = "with it: wait (off so long), gates, scan_for (on at most)"
            self.findings.add(f"{path}.power", f"found {ANEW} alone", expected)
        if step.anew and step.settle:
            expected = f"false beside power = {ANEW!r}"
            self.findings.add(f"{path}.settle", "found true", expected)
        idle = not (set(given) & set(DRIVE_KEYS)) and step.power is None
        if idle and not (step.gates or step.wait_s or step.settle):
            expected = "something to set, to wait for or to measure"
            self.findings.add(path, "found a step that does nothing", expected)


def _place(key: str) -> Shape:
    """Return the shape of where a drive is set; tables are checked on their own."""
    low, high = _RANGES[key]
    plain = number("", low, high)

    def accept(value: object) -> object:
        fits = isinstance(value, Mapping) or value in PLACES
        return value if fits else plain.accept(value)

    words = ", ".join(PLACES)
    return Shape(
        f"a number from {as_stated(low)} to {as_stated(high)}, one of {words}, or "
        "{ from, to, share } or { from, to, points }",
        accept,
    )


def _step(values: Mapping[str, Any], *, settles: bool) -> Step:
    """Return a step without its targets; it settles by default where that is asked."""
    settle = values["settle"]
    anew = values["power"] == ANEW
    return Step(
        name=values["name"] or shown(None),
        ramp_per_min=values["ramp_c_per_min"],
        power=True if anew else values["power"],
        anew=anew,
        settle=settles and bool(values["gates"]) if settle is None else settle,
        wait_s=values["wait"],
        gates=values["gates"],
        scan_s=values["scan_for"],
        at_most_s=values["at_most"],
        late=values["late"],
    )
