"""Part files: what is accepted, and every problem of a file at once."""

import tomllib

import pytest

from benchlog.catalogue import list_parts, load_part, load_parts, part_from_mapping
from benchlog.errors import ConfigError
from benchlog.model import (
    Kind,
    Limits,
    Load,
    Part,
    TemperatureLaw,
)

FULL = """
[part]
id = "fork"
title = "a fork"
kind = "tuning-fork"
nominal_hz = 32_768
notes = \"\"\"
two
lines
\"\"\"
[limits]
tolerance_percent = 0.002
reference_c = 24
reference_band_c = 2
stability_ppm = 50
range_c = [-10, 60]
ageing_ppm_per_year = 3
jitter_ppm = 0.5
[temperature]
law = "parabola"
reference_c = 25
quadratic_ppm_per_c2 = -0.03
[load]
load_pf = 12.5
motional_c1_ff = 3
"""


def parse(text):
    return part_from_mapping(tomllib.loads(text), "x.toml")


def without(key):
    return "\n".join(line for line in FULL.splitlines() if not line.startswith(key))


def with_line(key, line):
    return FULL.replace(next(x for x in FULL.splitlines() if x.startswith(key)), line)


def test_every_key_of_a_part():
    assert parse(FULL) == Part(
        id="fork",
        title="a fork",
        kind=Kind.TUNING_FORK,
        nominal_hz=32768.0,
        limits=Limits(
            tolerance_ppm=20.0,
            reference_c=24.0,
            reference_band_c=2.0,
            stability_ppm=50.0,
            range_c=(-10.0, 60.0),
            ageing_ppm_per_year=3.0,
            jitter_ppm=0.5,
        ),
        temperature=TemperatureLaw(
            law="parabola",
            reference_c=25.0,
            linear_ppm_per_c=0.0,
            quadratic_ppm_per_c2=-0.03,
            cubic_ppm_per_c3=0.0,
        ),
        load=Load(12.5, None, 3.0),
        notes="two\nlines",
        file="x.toml",
    )


def test_what_may_be_left_out():
    head = FULL.partition("notes")[0]
    part = parse(head + "[limits]\ntolerance_ppm = 20\n")
    assert part.limits == Limits(
        tolerance_ppm=20.0, reference_c=25.0, reference_band_c=3.0
    )
    assert part.temperature is None
    assert part.load == Load()
    assert isinstance(part.limits.tolerance_ppm, float)


def test_six_faults_are_six_problems(problems_of):
    text = with_line("title", "titel = 'a fork'")
    text = text.replace("32_768", '"32.768 mHz"').replace("tuning-fork", "fork")
    text = text.replace("[-10, 60]", "[60, -10]").replace(
        "load_pf = 12.5", "load_pf = 0"
    )
    found = problems_of(parse, text)
    assert set(found) == {
        "part.titel",
        "part.title",
        "part.nominal_hz",
        "part.kind",
        "limits.range_c",
        "load.load_pf",
    }
    assert found["part.titel"].expected == "'title'?"
    assert found["part.nominal_hz"].found == "found '32.768 mHz'"
    assert "nominal frequency in Hz" in found["part.nominal_hz"].expected
    assert "tuning-fork" in found["part.kind"].expected
    assert {problem.file for problem in found.values()} == {"x.toml"}


def test_the_message_holds_every_problem():
    with pytest.raises(ConfigError, match="2 problems") as caught:
        parse(FULL.replace("32_768", "-1").replace("= 50", "= true"))
    said = str(caught.value)
    assert "x.toml: part.nominal_hz: found -1; expected a number above 0" in said
    assert "limits.stability_ppm: found true" in said


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (without("id"), "part.id"),
        (with_line("id", 'id = "../fork"'), "part.id"),
        (with_line("id", 'id = ""'), "part.id"),
        (with_line("title", 'title = "a\\u001b[2Jfork"'), "part.title"),
        (with_line("title", 'title = "  "'), "part.title"),
        (with_line("kind", "kind = 1979-05-27"), "part.kind"),
        (with_line("nominal_hz", "nominal_hz = nan"), "part.nominal_hz"),
        (with_line("nominal_hz", "nominal_hz = inf"), "part.nominal_hz"),
        (with_line("nominal_hz", "nominal_hz = 1e400"), "part.nominal_hz"),
        (with_line("nominal_hz", "nominal_hz = 0"), "part.nominal_hz"),
        (with_line("nominal_hz", "nominal_hz = true"), "part.nominal_hz"),
        (
            with_line("nominal_hz", "nominal_hz = 0x" + "f" * 4000),
            "part.nominal_hz",
        ),
        (without("tolerance_percent"), "limits.tolerance_ppm"),
        (
            with_line("tolerance_percent", "tolerance_percent = 1\ntolerance_ppm = 1"),
            "limits.tolerance_percent",
        ),
        (with_line("tolerance_percent", "tolerance_ppm = 0"), "limits.tolerance_ppm"),
        (with_line("tolerance_percent", "tolerance_ppm = -9"), "limits.tolerance_ppm"),
        (
            with_line("tolerance_percent", "tolerance_percent = 101"),
            "limits.tolerance_percent",
        ),
        (with_line("reference_c = 24", "reference_c = -300"), "limits.reference_c"),
        (with_line("reference_c = 24", "reference_c = 61"), "limits.range_c"),
        (with_line("range_c", "range_c = [1]"), "limits.range_c"),
        (with_line("range_c", "range_c = ['cold', 60]"), "limits.range_c"),
        (with_line("range_c", "range_c = [-10, 60, 70]"), "limits.range_c"),
        (with_line("range_c", "range_c = [60, 60]"), "limits.range_c"),
        (with_line("range_c", "range_c = [-inf, 60]"), "limits.range_c[0]"),
        (without("range_c"), "limits.range_c"),
        (with_line("law", "law = 'square'"), "temperature.law"),
        (with_line("law", "law = 'line'"), "temperature.quadratic_ppm_per_c2"),
        (with_line("law", "law = 'cubic'"), "temperature.cubic_ppm_per_c3"),
        (without("law"), "temperature.law"),
        (with_line("motional", "motional_c1_pf = 3"), "load.motional_c1_pf"),
        (FULL + "[limitz]\n", "limitz"),
        ("limits = 3\n" + FULL.replace("[limits]", "[part.limits]"), "limits"),
    ],
)
def test_each_fault_is_named(problems_of, text, key):
    assert key in problems_of(parse, text)


def test_no_file_at_all(problems_of):
    assert set(problems_of(parse, "")) == {"part", "limits"}


def test_a_line_law_lists_both_of_its_faults(problems_of):
    found = problems_of(parse, with_line("law", "law = 'line'"))
    assert found["temperature.linear_ppm_per_c"].found == "missing"
    assert found["temperature.quadratic_ppm_per_c2"].found == "found in a line"


def test_one_bad_file_does_not_hide_the_other_parts(write):
    path = write("configs/parts/bad.toml", FULL.replace("32_768", "0"))
    parts, problems = list_parts()
    assert len(parts) >= 12
    assert [(p.file, p.key) for p in problems] == [
        (path.partition("here/")[2], "part.nominal_hz")
    ]
    with pytest.raises(ConfigError, match="nominal_hz"):
        load_parts()


def test_a_part_by_path(write):
    path = write("fork.toml", FULL)
    assert load_part(path).file == path


@pytest.mark.parametrize(
    ("kind", "nominal", "asked"),
    [
        ("quartz", "16", "is 16 MHz meant?"),
        ("tcxo", "19.2", "is 19.2 MHz meant?"),
        ("tuning-fork", "32.768", "is 32.768 kHz meant?"),
    ],
)
def test_a_frequency_without_its_unit_is_asked_back(kind, nominal, asked):
    text = FULL.replace('"tuning-fork"', f'"{kind}"').replace("32_768", nominal)
    with pytest.raises(ConfigError) as caught:
        parse(text)
    (problem,) = caught.value.problems
    assert problem.key == "part.nominal_hz"
    assert asked in problem.expected


@pytest.mark.parametrize(
    ("kind", "nominal"), [("quartz", "1"), ("rc", "40"), ("other", "50")]
)
def test_slow_sources_that_are_no_slip_are_taken(kind, nominal):
    text = FULL.replace('"tuning-fork"', f'"{kind}"').replace("32_768", nominal)
    assert parse(text).nominal_hz == float(nominal)
