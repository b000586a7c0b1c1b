"""Bench files: instruments with their drivers' options, and positions.

Loading a bench imports the drivers it names, for what options they declare, and nothing
that those drivers do not import themselves.
"""

from collections.abc import Mapping
from importlib.resources.abc import Traversable
from typing import Any, Final

from benchlog import registry
from benchlog.catalogue.alarms import alarm_rules
from benchlog.catalogue.burning import burn_rule
from benchlog.catalogue.check import (
    Findings,
    TableKey,
    a_date,
    a_list,
    a_table,
    in_hz,
    in_ppm,
    join,
    number,
    shown,
    text,
    whole,
    yes_no,
)
from benchlog.catalogue.dialects import COUNTING_KEYS, load_dialect
from benchlog.catalogue.places import anywhere, find, read_toml, stem, usable
from benchlog.catalogue.rack_positions import (
    RACK_KEYS,
    SETTER_QUANTITIES,
    SETTERS,
    TURN_KEYS,
    check_channel,
    check_setters,
    check_turns,
)
from benchlog.driver import Driver, Option, Setter, check_options
from benchlog.errors import (
    BenchlogError,
    ConfigError,
    NotFoundError,
    Problem,
    nearest_hint,
)
from benchlog.model import (
    EDGE,
    Bench,
    Dialect,
    InstrumentSpec,
    PositionSpec,
    ReferenceSpec,
)

_NAME: Final = text("a name of at most 40 characters", longest=40)
_instrument: Final = text("the name of an instrument of this file", longest=40)

_TABLES: Final = {
    "title": TableKey(text("what a person calls it"), default=""),
    "instruments": TableKey(a_table("instruments"), required=True),
    "position": TableKey(a_list("a list of tables [[position]]"), default=()),
    "reference": TableKey(a_table("reference")),
    "alarm": TableKey(a_list("a list of tables [[alarm]]"), default=()),
    "burn": TableKey(a_table("burn")),
    "host_clock_ppm": TableKey(in_ppm("+- of this computer's clock in ppm", 0, 1e5)),
}
_INSTRUMENT: Final = {
    "driver": TableKey(text("the name of a driver"), required=True),
    "address": TableKey(text("a VISA resource or a port"), default=""),
    "timebase_ppm": TableKey(
        in_ppm(
            "+- in ppm, what its maker promises; no time base is exact: leave it out "
            "where nothing is known, give the reference's own +- where one drives it",
            high=1e5,
            above=0,
        )
    ),
    "timebase_ageing_ppm_per_year": TableKey(in_ppm("in ppm a year", 0, 1e5)),
    "resolution_hz": TableKey(in_hz("in Hz", high=1e9)),
    "u_c": TableKey(
        number("of a thermometer: standard uncertainty in C", high=50, above=0)
    ),
    "simulated": TableKey(yes_no("whether its readings are made up"), default=False),
    "calibration_due": TableKey(a_date("when its calibration is due"), default=""),
    **COUNTING_KEYS,
    **TURN_KEYS,
}
"""Keys that every instrument may have, whatever its driver."""
_POSITION: Final = {
    "name": TableKey(_NAME, required=True),
    "frequency": TableKey(_instrument, required=True),
    "ambient": TableKey(_instrument),
    "reference": TableKey(_instrument),
    "supply": TableKey(_instrument),
    "trim": TableKey(_instrument),
    "divider": TableKey(
        number("device output is nominal/divider", 1e-6, 1e9), default=1.0
    ),
    "span_ppm": TableKey(
        in_ppm("+- in ppm of nominal, what a reading can be", high=1e9, above=0)
    ),
    **RACK_KEYS,
}
_REFERENCE: Final = {
    "counter": TableKey(_instrument, required=True),
    "input": TableKey(whole("the counter's input", 1, 99)),
    "nominal_hz": TableKey(in_hz("1 for a pulse a second", high=1e12), default=1.0),
    "u_s": TableKey(number("standard uncertainty of a pulse in s", high=1, above=0)),
    "u_ppm": TableKey(in_ppm("standard uncertainty in ppm", high=1e6, above=0)),
    "pulses": TableKey(_instrument),
    "timebase": TableKey(_instrument),
}
_QUANTITIES: Final = {
    "frequency": ("frequency", EDGE),
    "ambient": ("temperature",),
    "reference": (EDGE,),
    **SETTER_QUANTITIES,
}
"""What the instrument at a role of a position may measure."""
_ROLES: Final = ("frequency", "ambient", "reference", "supply", "trim")


def load_bench(name_or_path: str) -> Bench:
    """Return the bench of this name, or of the file at this path.

    Every option that a driver declares as a Dialect is one in the result, also where it
    is the driver's default; a path to one starts at the bench file's folder. Raises
    NotFoundError with near matches, ConfigError with every problem of both files.
    """
    entry = find("benches", name_or_path)
    return bench_from_mapping(read_toml(entry), entry)


def list_benches() -> tuple[tuple[Bench, ...], tuple[Problem, ...]]:
    """Return every bench that can be used, and what is wrong with the others."""
    return usable("benches", lambda one: bench_from_mapping(read_toml(one), one))


def bench_from_mapping(document: Mapping[str, Any], entry: Traversable) -> Bench:
    """Build a bench from a bench file's contents; `entry` is that file, unread.

    Raises ConfigError with every problem.
    """
    findings = Findings(str(entry), document)
    tables = findings.table(document, "", _TABLES)
    reader = _Reader(findings, entry)
    given = findings.entries(tables["instruments"], "instruments")
    instruments = {name: reader.instrument(name, given[name]) for name in given}
    positions = reader.positions(tables["position"])
    reference = reader.reference(tables["reference"])
    alarms = alarm_rules(findings, tables["alarm"])
    burn = burn_rule(findings, tables["burn"])
    if not given:
        findings.add("instruments", "found none", "at least one [instruments.NAME]")
    if not tables["position"] and reference is None:
        findings.add("position", "found none", "at least one [[position]]")
    findings.finish()
    return Bench(
        name=stem(entry),
        instruments=instruments,
        positions=positions,
        reference=reference,
        title=tables["title"],
        file=str(anywhere(entry)),
        alarms=alarms,
        host_clock_ppm=tables["host_clock_ppm"],
        burn=burn,
    )


class _Reader:
    """Reads one bench file's tables; what it returns holds if nothing was found."""

    def __init__(self, findings: Findings, entry: Traversable) -> None:
        self.findings = findings
        self.entry = entry
        self.quantities: dict[str, str] = {}
        self.setters: set[str] = set()

    def instrument(self, name: str, value: object) -> InstrumentSpec:
        """Read one `[instruments.NAME]`."""
        path = join("instruments", name)
        self.findings.value(name, path, TableKey(_NAME))
        table = self.findings.entries(value, path)
        common = {key: table[key] for key in table if key in _INSTRUMENT}
        special = {key: table[key] for key in table if key not in _INSTRUMENT}
        whole = common if isinstance(value, Mapping) else None
        values = self.findings.table(whole, path, _INSTRUMENT)
        driver = self._driver(values["driver"], path)
        options = self._options(driver, special, path) if driver else {}
        if driver and driver.needs_address and "address" not in table:
            self.findings.add(f"{path}.address", "missing", "where the instrument is")
        elif driver and driver.needs_address and isinstance(values["address"], str):
            wanted = driver.address_wanted(values["address"], options)
            if wanted:
                found = f"{values['address']!r} is no address"
                self.findings.add(f"{path}.address", found, wanted)
        values.update(_counting(values, options))
        self.quantities[name] = _quantity(driver, options)
        if driver is not None and issubclass(driver, Setter):
            self.setters.add(name)
        quantity = self.quantities[name]
        check_turns(self.findings, table, path, quantity)
        return InstrumentSpec(name=name, options=options, quantity=quantity, **values)

    def positions(self, tables: list[object]) -> tuple[PositionSpec, ...]:
        """Read every `[[position]]`."""
        found: list[PositionSpec] = []
        for index, table in enumerate(tables):
            path = f"position[{index}]"
            values = self.findings.table(table, path, _POSITION)
            for role in (*_ROLES, *SETTERS):
                self._refers(values[role], f"{path}.{role}", _QUANTITIES.get(role, ()))
            check_setters(self.findings, values, path, self.setters)
            check_channel(self.findings, values, path, found)
            if values["name"] in [position.name for position in found]:
                expected = "a name of its own for each position"
                self.findings.add(
                    f"{path}.name", f"found {values['name']!r} again", expected
                )
            found.append(PositionSpec(**values))
        return tuple(found)

    def reference(self, table: Mapping[str, Any] | None) -> ReferenceSpec | None:
        """Read `[reference]`, if there is one."""
        if table is None:
            return None
        values = self.findings.table(table, "reference", _REFERENCE)
        self._refers(values["counter"], "reference.counter", ("frequency",))
        for role in ("pulses", "timebase"):
            self._refers(values[role], f"reference.{role}", (EDGE,))
        if (values["pulses"] is None) != (values["timebase"] is None):
            missing = "timebase" if values["timebase"] is None else "pulses"
            expected = "both instruments, to compare their pulses"
            self.findings.add(f"reference.{missing}", "missing", expected)
        if "u_s" in table and "u_ppm" in table:
            self.findings.add("reference.u_ppm", "found both", "either u_s or u_ppm")
        return ReferenceSpec(**values)

    def _refers(self, name: str | None, path: str, quantities: tuple[str, ...]) -> None:
        """Check that an instrument is there, and measures what is wanted of it."""
        if name is None:
            return
        if name not in self.quantities:
            known = [one for one in self.quantities if _NAME.accept(one)]
            found = f"there is no instrument {name!r}"
            hint = nearest_hint(name, known) if known else "an instrument of this file"
            self.findings.add(path, found, hint)
            return
        measures = self.quantities[name]
        if quantities and measures and measures not in quantities:
            found = f"{name!r} measures {measures}"
            expected = f"an instrument that measures {' or '.join(quantities)}"
            self.findings.add(path, found, expected)

    def _driver(self, name: str | None, path: str) -> type[Driver] | None:
        if name is None:
            return None
        try:
            return registry.load(name)
        except NotFoundError:
            expected = nearest_hint(name, registry.names())
            self.findings.add(f"{path}.driver", f"no driver {name!r}", expected)
        except BenchlogError as error:
            expected = "a driver that can be imported"
            self.findings.add(f"{path}.driver", str(error), expected)
        return None

    def _options(
        self, driver: type[Driver], given: Mapping[str, object], path: str
    ) -> Mapping[str, object]:
        """Check a driver's options; dialects become Dialect objects."""
        sane = self._sane(driver, given, path)
        file = self.findings.file
        accepted, problems = check_options(driver.options, sane, file, path)
        self.findings.extend(problems)
        options = dict(accepted)
        for option in driver.options:
            if option.type is Dialect and option.name not in given:
                options[option.name] = option.default
            named = options.get(option.name)
            if option.type is Dialect and isinstance(named, str):
                key = f"{path}.{option.name}"
                options[option.name] = self._dialect(named, option, key)
        return options

    def _sane(
        self, driver: type[Driver], given: Mapping[str, object], path: str
    ) -> dict[str, object]:
        """Return the options that are worth a closer look; note what the rest is.

        Names that the driver lacks, tables and lists (no option is one), and what was
        refused already: NaN, integers without end.
        """
        declared = {option.name: option.help for option in driver.options}
        known = {problem.key for problem in self.findings.problems}
        sane: dict[str, object] = {}
        for name, value in given.items():
            key = join(path, name)
            if name not in declared:
                self.findings.add(key, "unknown key", nearest_hint(name, declared))
            elif isinstance(value, Mapping | list):
                self.findings.add(key, f"found {shown(value)}", declared[name])
            elif key not in known:
                sane[name] = value
        return sane

    def _dialect(self, name: str, option: Option, path: str) -> Dialect | None:
        """Load a dialect; what is wrong with its file is wrong with this bench."""
        try:
            dialect = load_dialect(name, self.entry)
            usual = _usual(option)
        except NotFoundError as error:
            self.findings.add(path, str(error), "a dialect, by name or path")
            return None
        except ConfigError as error:
            self.findings.extend(error.problems)
            return None
        if usual and dialect.talks != usual.talks:
            found = f"found {shown(name)}, which talks {dialect.talks}"
            self.findings.add(path, found, f"a dialect that talks {usual.talks}")
        return dialect


def _usual(option: Option) -> Dialect | None:
    """Return the dialect that a driver falls back on; others must talk as it does."""
    usual = option.default
    usual = load_dialect(usual) if isinstance(usual, str) else usual
    return usual if isinstance(usual, Dialect) else None


def _counting(
    stated: Mapping[str, Any], options: Mapping[str, object]
) -> dict[str, Any]:
    """Return how a counter counts: as the bench file states, else as its dialect."""
    dialects = [one for one in options.values() if isinstance(one, Dialect)]
    found: dict[str, Any] = {}
    for key, unknown in (("counting", ""), ("gapless", None), ("digits", "")):
        said = (stated[key], *(getattr(one, key) for one in dialects))
        found[key] = next((one for one in said if one not in ("", None)), unknown)
    return found


def _quantity(driver: type[Driver] | None, options: Mapping[str, object]) -> str:
    """Return what an instrument measures, empty when only the driver can tell.

    A driver for many quantities declares an option `quantity`; it goes before the
    class's own word.
    """
    if driver is None:
        return ""
    declared = {option.name: option.default for option in driver.options}
    given = {**declared, **options}.get("quantity")
    words = (given, getattr(driver, "quantity", ""))
    return next((word.casefold() for word in words if isinstance(word, str)), "")
