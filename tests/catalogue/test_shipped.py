"""The files that ship: each loads, is physically sane, and agrees with its source."""

import re
from importlib.metadata import entry_points
from importlib.resources import files
from pathlib import Path

import pytest

from benchlog.analysis.laws import kind_law, ppm_at
from benchlog.catalogue import load_bench, load_dialect, load_part, names
from benchlog.clock import HostClock
from benchlog.driver_kit.settings import INPUT_OPTIONS, WITH_INPUTS, setting_fault
from benchlog.model import Dialect, Kind
from benchlog.units import hz_of_ppm

SHIPPED = files("benchlog.configs")
DOCUMENTATION_HOSTS = re.compile(r"192\.0\.2\.\d{1,3}")  # RFC 5737


def shipped(kind):
    folder = SHIPPED / kind
    return sorted(e.name[:-5] for e in folder.iterdir() if e.name.endswith(".toml"))


PARTS, BENCHES, DIALECTS = (shipped(kind) for kind in ("parts", "benches", "dialects"))


def test_everything_that_ships_is_found():
    assert len(PARTS) >= 14
    assert list(names("parts")) == PARTS
    assert list(names("benches")) == BENCHES
    assert list(names("dialects")) == DIALECTS


@pytest.mark.parametrize("name", PARTS)
def test_a_part_is_named_after_its_file(name):
    part = load_part(name)
    assert part.id == name
    assert "typical figures" in part.notes.casefold()


@pytest.mark.parametrize("name", PARTS)
def test_limits_are_sane(name):
    limits = load_part(name).limits
    assert 0 < limits.tolerance_ppm <= 100_000
    assert limits.reference_c == 25
    if limits.range_c is not None:
        low_c, high_c = limits.range_c
        assert -60 <= low_c < limits.reference_c < high_c <= 125
        assert limits.stability_ppm > 0


@pytest.mark.parametrize("name", PARTS)
def test_the_temperature_law_keeps_the_promised_stability(name):
    """A typical part must keep its own data sheet, at both ends and in between."""
    part = load_part(name)
    if part.limits.range_c is None:
        return
    low_c, high_c = part.limits.range_c
    at_reference = ppm_at(part.temperature, part.limits.reference_c)
    steps = [low_c + (high_c - low_c) * i / 100 for i in range(101)]
    worst = max(abs(ppm_at(part.temperature, t) - at_reference) for t in steps)
    assert worst <= part.limits.stability_ppm


@pytest.mark.parametrize("name", PARTS)
def test_the_law_is_of_the_sort_that_the_kind_has(name):
    """Only an on-chip RC oscillator has no usual shape."""
    part = load_part(name)
    assert part.kind is Kind.RC or part.temperature.law == kind_law(part.kind).law


@pytest.mark.parametrize(
    ("name", "nominal_hz", "tolerance_ppm"),
    [
        ("rc-8mhz-delivered", 8e6, 100_000),  # +-10 %: 8-bit MCU data sheet
        ("rc-8mhz-trimmed", 8e6, 10_000),  # +-1 % user-calibrated: the same
        ("quartz-16mhz-30ppm", 16e6, 30),
        ("quartz-16mhz-50ppm", 16e6, 50),
        ("quartz-20mhz-10ppm", 20e6, 10),
        ("quartz-20mhz-20ppm", 20e6, 20),
        ("tuning-fork-32khz-20ppm", 2**15, 20),
        ("tuning-fork-32khz-10ppm", 2**15, 10),
        ("ceramic-8mhz", 8e6, 5_000),  # +-0.5 %: makers' specifications
        ("ceramic-16mhz", 16e6, 5_000),
    ],
)
def test_nominal_and_tolerance(name, nominal_hz, tolerance_ppm):
    part = load_part(name)
    assert part.nominal_hz == nominal_hz
    assert part.limits.tolerance_ppm == pytest.approx(tolerance_ppm, rel=1e-12)


def test_every_kind_ships():
    assert {load_part(name).kind for name in PARTS} == set(Kind) - {Kind.OTHER}


@pytest.mark.parametrize(("ppm", "hz"), [(30, 480), (50, 800)])
def test_limits_in_hertz(ppm, hz):
    """Common practice, no source: 30 ppm of 16 MHz is 480 Hz, 50 ppm is 800 Hz."""
    part = load_part(f"quartz-16mhz-{ppm}ppm")
    assert hz_of_ppm(part.limits.tolerance_ppm, part.nominal_hz) == pytest.approx(hz)


def test_rc_temperature_slope():
    """Common practice, no source: 20 kHz over 10 C at 8 MHz, so 250 ppm/C."""
    part = load_part("rc-8mhz-delivered")
    ppm = ppm_at(part.temperature, 35.0) - ppm_at(part.temperature, 25.0)
    assert hz_of_ppm(ppm, part.nominal_hz) == pytest.approx(20e3)


def test_tuning_fork_worked_example():
    """A maker's data sheet: k = 0.030 ppm/C^2, worked example 45 C -> -12.0 ppm."""
    part = load_part("tuning-fork-32khz-10ppm")
    assert ppm_at(part.temperature, 45.0) == pytest.approx(-12.0, abs=1e-9)


def test_tuning_fork_stability_is_the_worst_of_its_data_sheet():
    """k = 0.035 +- 0.0086 ppm/C^2 and T0 = 25 +- 5 C (maker's data sheet): at -40 C."""
    limits = load_part("tuning-fork-32khz-20ppm").limits
    worst = (0.035 + 0.0086) * (limits.range_c[0] - 30) ** 2
    assert worst == pytest.approx(213.6, abs=0.1)
    assert worst <= limits.stability_ppm <= 1.1 * worst


@pytest.mark.parametrize(
    ("name", "at_c", "ppm"),
    [
        ("quartz-16mhz-30ppm", -40, -22.369858),
        ("quartz-16mhz-30ppm", 0, 1.620208),
        ("quartz-16mhz-30ppm", 60, -0.932692),
        ("quartz-16mhz-30ppm", 85, 13.2016),
        ("quartz-20mhz-20ppm", -40, -15.215525),
        ("quartz-20mhz-20ppm", 0, 4.371875),
        ("quartz-20mhz-20ppm", 60, -4.785025),
        ("quartz-20mhz-20ppm", 85, 6.5976),
    ],
)
def test_at_cut(name, at_c, ppm):
    """Gerber and Ballato, Precision Frequency Control vol. 2 (1985) p. 101, quoted.

    Cut 1.7' and 3' from 35.25 degrees; the figures were worked out apart from here.
    """
    assert ppm_at(load_part(name).temperature, at_c) == pytest.approx(ppm, abs=2e-6)


@pytest.mark.parametrize(
    ("name", "pulling_ppm"),
    [("quartz-16mhz-30ppm", 272.727273), ("tuning-fork-32khz-20ppm", 104.895105)],
)
def test_load(name, pulling_ppm):
    """f_L = f_s (1 + C1 / (2 (C0 + CL))): 12 fF, 4 and 18 pF; 3 fF, 1.8 and 12.5 pF.

    The formula is published; the figures were worked out apart from this code.
    """
    load = load_part(name).load
    c1_pf = load.motional_c1_ff * 1e-3
    ppm = 1e6 * c1_pf / (2 * (load.shunt_c0_pf + load.load_pf))
    assert ppm == pytest.approx(pulling_ppm, abs=1e-6)


@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_loads_and_its_drivers_take_it(name):
    bench = load_bench(name)
    assert bench.title
    assert bench.positions
    by_name = {point.name: point for point in entry_points(group="benchlog.drivers")}
    for spec in bench.instruments.values():
        assert not spec.simulated
        driver = by_name[spec.driver].load()(spec.address, spec.options, HostClock())
        assert driver.read_limit_s >= 0
        assert driver.period_s >= 0
        assert all(not isinstance(v, str) or v for v in spec.options.values())
        dialect = spec.options.get("dialect")
        assert dialect is None or isinstance(dialect, Dialect)


def test_every_driver_of_ours_has_an_example():
    points = entry_points(group="benchlog.drivers")
    ours = {p.name for p in points if p.value.startswith("benchlog_drivers.")}
    specs = [i for name in BENCHES for i in load_bench(name).instruments.values()]
    assert ours <= {spec.driver for spec in specs}
    counters = [s.address for s in specs if s.driver.endswith("-counter")]
    ways = ("SOCKET", "hislip0", "inst0", "ASRL", "/dev/", "rfc2217:", "socket:")
    for way in (*ways, "USB0::", "GPIB0::", "gpib0,3", "/dev/serial/by-id/"):
        assert any(way in address for address in counters), way
    assert any(spec.options.get("gpib_address") is not None for spec in specs)
    assert any(spec.options.get("dtr") is not None for spec in specs)
    assert any(spec.options.get("line") == "kernel" for spec in specs)


@pytest.mark.parametrize("name", BENCHES)
def test_addresses_lead_nowhere(name):
    for spec in load_bench(name).instruments.values():
        hosts = re.findall(r"\d+\.\d+\.\d+\.\d+", spec.address)
        assert all(DOCUMENTATION_HOSTS.fullmatch(host) for host in hosts)


@pytest.mark.parametrize("name", DIALECTS)
def test_a_dialect_loads(name):
    dialect = load_dialect(name)
    assert dialect.name == name
    assert dialect.title


@pytest.mark.parametrize(
    ("name", "line", "value"),
    [
        ("scpi-1999", "+1.59998520E+07", "+1.59998520E+07"),
        ("scpi-1999", "15999852", "15999852"),
        ("scpi-1999", "1.5e7 Hz", None),
        ("scpi-1999", "", None),
        ("scpi-period", "6.2500578E-08", "6.2500578E-08"),
        ("line-hz", "7999852.0", "7999852.0"),
        ("line-hz", ".5", ".5"),
        ("line-hz", "7.9.9", None),
        ("line-khz", "15999.8520 kHz", "15999.8520"),
        ("line-khz", "15999.8520kHz", "15999.8520"),
        ("line-khz", "15999.8520 MHz", None),
        ("line-counts", "16000003", "16000003"),
        ("line-counts", "16000003.5", None),
        ("line-celsius", "23.4", "23.4"),
        ("line-celsius", "T = -0.5 C", "-0.5"),
        ("line-celsius", "23.4 F", None),
    ],
)
def test_replies_that_the_dialects_speak_of(name, line, value):
    match = re.fullmatch(load_dialect(name).reply, line, re.ASCII)
    assert (match and match["value"]) == value


@pytest.mark.parametrize("name", DIALECTS)
@pytest.mark.parametrize("bait", ["1", "1.", "1e1", " ", "T = ", "1 ", "-+", "1,", "."])
def test_reply_patterns_are_linear(name, bait):
    """The longest line a driver hands over, almost a match; linear takes milliseconds.

    As the square of its length it would take minutes.
    """
    pattern = re.compile(load_dialect(name).reply, re.ASCII)
    line = (bait * 65_536)[:65_536] + "!"
    clock = HostClock()
    before_ns = clock.mono_ns()
    assert not pattern.fullmatch(line)
    assert clock.mono_ns() - before_ns < 2_000_000_000


@pytest.mark.parametrize("kind", ["parts", "benches", "dialects"])
def test_comments_say_how_to_add_one(kind):
    texts = [p.read_text() for p in Path(str(SHIPPED / kind)).glob("*.toml")]
    assert any("How to add" in text for text in texts)
    assert all(text.startswith("#") for text in texts)


@pytest.mark.parametrize("option", INPUT_OPTIONS, ids=lambda option: option.name)
def test_an_unknown_setting_names_the_shipped_dialect_that_knows_it(option):
    said = setting_fault(load_dialect("scpi-1999"), option.name, "bench:5025")
    assert "dialect 'scpi-1999' does not know" in said and "bench:5025" in said
    scpi = [one for one in map(load_dialect, names("dialects")) if one.talks == "scpi"]
    know = [one.name for one in scpi if not setting_fault(one, option.name, "")]
    assert know == [WITH_INPUTS]
    assert f"as {WITH_INPUTS!r} does" in said
