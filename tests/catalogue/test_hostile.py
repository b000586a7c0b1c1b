"""Thousands of malformed files: every one a ConfigError or a sane noun, never else."""

import copy
import dataclasses
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchlog.catalogue import (
    bench_from_mapping,
    dialect_from_mapping,
    load_part,
    part_from_mapping,
)
from benchlog.errors import BenchlogError, ConfigError
from benchlog.model import Bench, Part

CONFIGS = Path(__file__).parents[2] / "configs"
PART = (CONFIGS / "parts" / "quartz-16mhz-30ppm.toml").read_text()
DIALECT = (CONFIGS / "dialects" / "scpi-inputs.toml").read_text()
BENCH = (CONFIGS / "benches" / "counter-tcp.toml").read_text()
BENCH += '[reference]\ncounter = "counter"\ninput = 2\nu_s = 5e-8\n'

many = settings(
    max_examples=600,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
leaves = st.one_of(
    st.none().map(lambda _: math.nan),
    st.sampled_from([math.inf, -math.inf, -0.0, 1e308, 5e-324, 2**63, 2**13_000]),
    st.floats(),
    st.integers(),
    st.booleans(),
    st.text(max_size=12),
    st.dates(),
    st.sampled_from(["counter", "room", "quartz", "cubic", "scpi", "..", "{gate_s}"]),
)
values = st.recursive(
    leaves,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.text(max_size=6), inner, max_size=3),
    ),
    max_leaves=6,
)


def paths_of(document, prefix=()):
    """Return the path of every table, key and list item of a document."""
    found = [prefix] if prefix else []
    items = document.items() if isinstance(document, dict) else enumerate(document)
    for key, value in items:
        if isinstance(value, dict | list):
            found += paths_of(value, (*prefix, key))
        else:
            found.append((*prefix, key))
    return found


@st.composite
def spoilt(draw, text):
    """A good document in which up to three values are replaced, removed or added."""
    document = copy.deepcopy(tomllib.loads(text))
    for _ in range(draw(st.integers(1, 3))):
        path = draw(st.sampled_from(paths_of(document) or [("part",)]))
        table = document
        for key in path[:-1]:
            table = table[key]
        what = draw(st.sampled_from(["replace", "remove", "add"]))
        if what == "replace":
            table[path[-1]] = draw(values)
        elif what == "remove" and path[-1] in table:
            del table[path[-1]]
        elif isinstance(table, dict):
            table[draw(st.text(max_size=8))] = draw(values)
    return document


def assert_finite(value):
    if isinstance(value, float):
        assert math.isfinite(value)
    elif isinstance(value, dict):
        for inner in value.values():
            assert_finite(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            assert_finite(inner)


def outcome_of(build, *args):
    """Return what was built, or None; problems must be complete and on one line."""
    try:
        built = build(*args)
    except ConfigError as error:
        assert error.problems
        keys = [(problem.file, problem.key) for problem in error.problems]
        assert len(keys) == len(set(keys))
        for problem in error.problems:
            said = [problem.key, problem.found, problem.expected]
            assert all(word and word.isprintable() for word in said), said
            assert len(problem.found) < 400
        return None
    assert_finite(dataclasses.asdict(built))
    return built


def assert_sane(part: Part):
    assert part.nominal_hz > 0
    assert part.limits.tolerance_ppm > 0
    assert part.title.isprintable() or part.title
    if part.limits.range_c:
        low_c, high_c = part.limits.range_c
        assert low_c <= part.limits.reference_c <= high_c


@many
@given(spoilt(PART))
def test_spoilt_parts(document):
    part = outcome_of(part_from_mapping, document, "x.toml")
    if part is not None:
        assert_sane(part)


@many
@given(spoilt(DIALECT))
def test_spoilt_dialects(document):
    dialect = outcome_of(dialect_from_mapping, document, "x", "x.toml")
    if dialect is not None:
        words = dict.fromkeys(
            ["gate_s", "input", "coupling", "impedance_ohm", "trigger_v", "filter"], "1"
        )
        sent = [c.format(quantity="V", **words) for c in dialect.commands.values()]
        assert all(command.isprintable() and command for command in sent)


@settings(many, max_examples=300)  # looking for drivers takes its time
@given(spoilt(BENCH))
def test_spoilt_benches(document):
    bench = outcome_of(bench_from_mapping, document, Path("x.toml"))
    if bench is not None:
        assert_references(bench)


def assert_references(bench: Bench):
    for place in bench.positions:
        named = {place.frequency, place.ambient, place.reference, place.supply}
        assert named - {None} <= set(bench.instruments)
        assert place.divider > 0
    assert bench.reference is None or bench.reference.counter in bench.instruments


@many
@given(st.dictionaries(st.sampled_from(["part", "limits", "load", "x"]), values))
@example({"part": {"nominal_hz": 2**13_000}})
@example({"limits": [[[[[[[[[[[[1]]]]]]]]]]]]})
def test_any_mapping_as_a_part(document):
    assert outcome_of(part_from_mapping, document, "x.toml") is None


@many
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_as_a_file(tmp_path, data):
    path = tmp_path / "x.toml"
    path.write_bytes(data)
    assert outcome_of(load_part, str(path)) is None


@many
@given(
    at=st.integers(0, len(PART)),
    gone=st.integers(0, 40),
    put=st.one_of(st.text(max_size=5), st.sampled_from(["=", "[", '"""', "\n", "e9"])),
)
def test_a_file_with_a_piece_changed(tmp_path, at, gone, put):
    path = tmp_path / "x.toml"
    content = PART[:at] + put + PART[at + gone :]
    path.write_bytes(content.encode("utf-8", "surrogatepass"))
    part = outcome_of(load_part, str(path))
    if part is not None:
        assert_sane(part)


@many
@given(st.text(max_size=40))
def test_any_name(name):
    with pytest.raises(BenchlogError) as caught:
        load_part(name)
    assert str(caught.value).strip()
