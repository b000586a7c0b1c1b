"""Dialect files: commands, braces, reply patterns."""

import re
import tomllib

import pytest

from benchlog.catalogue import dialect_from_mapping, load_dialect
from benchlog.catalogue.dialects import may_explode, pattern_fault
from benchlog.model import Dialect

SCPI = """
[dialect]
title = "mine"
talks = "scpi"
terminator = "\\r\\n"
[commands]
identify = "*IDN?"
gate_set = "APER {gate_s}"
gate_get = "APER?"
read = "READ?"
[reply]
pattern = 'F=(?P<value>\\d+)'
unit = "s"
scale = 1e-3
no_signal = ["none"]
overload = ["OL", "over"]
"""


def parse(text):
    return dialect_from_mapping(tomllib.loads(text), "mine", "mine.toml")


def test_every_key_of_a_dialect():
    assert parse(SCPI) == Dialect(
        name="mine",
        talks="scpi",
        title="mine",
        commands={
            "identify": "*IDN?",
            "gate_set": "APER {gate_s}",
            "gate_get": "APER?",
            "read": "READ?",
        },
        reply=r"F=(?P<value>\d+)",
        unit="s",
        scale=1e-3,
        terminator="\r\n",
        no_signal=("none",),
        overload=("OL", "over"),
    )


def test_what_may_be_left_out():
    least = parse("[dialect]\ntitle='x'\ntalks='line'\n")
    assert least == Dialect(name="mine", talks="line", title="x")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('talks = "scpi"', 'talks = "morse"', "dialect.talks"),
        ('talks = "scpi"', "", "dialect.talks"),
        ('talks = "scpi"', 'talks = "line"', "commands"),
        ('terminator = "\\r\\n"', 'terminator = ""', "dialect.terminator"),
        ('terminator = "\\r\\n"', 'terminator = "\\u00e9"', "dialect.terminator"),
        ('read = "READ?"', 'reed = "READ?"', "commands.reed"),
        ('read = "READ?"', "", "commands"),
        ('read = "READ?"', 'fetch = "FETCh?"', "commands"),
        ('"READ?"', '"READ?\\n*RST"', "commands.read"),
        ('"READ?"', '"REA\\u00d0?"', "commands.read"),
        ('"READ?"', '"READ? {colour}"', "commands.read"),
        ('"READ?"', '"READ? {gate_s.real}"', "commands.read"),
        ('"READ?"', '"READ? {gate_s!r}"', "commands.read"),
        ('"READ?"', '"READ? {gate_s:.3f}"', "commands.read"),
        ('"READ?"', '"READ? {gate_s:{input}}"', "commands.read"),
        ('"READ?"', '"READ? {}"', "commands.read"),
        ('"READ?"', '"READ? {0}"', "commands.read"),
        ('"READ?"', '"READ? {gate_s"', "commands.read"),
        ('"READ?"', '""', "commands.read"),
        ('"READ?"', "7", "commands.read"),
        ('"READ?"', '" READ?"', "commands.read"),
        ('"APER {gate_s}"', '"APER 1"', "commands.gate_set"),
        ('"APER {gate_s}"', '"APER? {gate_s}"', "commands.gate_set"),
        ('read = "READ?"', 'read = "READ?"\ninitiate = "INIT?"', "commands.initiate"),
        ('unit = "s"', 'unit = "furlong"', "reply.unit"),
        ("scale = 1e-3", "scale = 0", "reply.scale"),
        ("scale = 1e-3", "scale = -1", "reply.scale"),
        ("scale = 1e-3", "scale = inf", "reply.scale"),
        ('["none"]', '"none"', "reply.no_signal"),
        ('["none"]', '[" "]', "reply.no_signal"),
        ('["none"]', "[1]", "reply.no_signal"),
        ("pattern", "patern", "reply.patern"),
        ("(?P<value>\\d+)", "(\\d+)", "reply.pattern"),
        ("(?P<value>\\d+)", "(?P<value>\\d+", "reply.pattern"),
        ("(?P<value>\\d+)", "(?P<value>(\\d+)+)", "reply.pattern"),
    ],
)
def test_each_fault_is_named(problems_of, old, new, key):
    assert old in SCPI
    assert set(problems_of(parse, SCPI.replace(old, new))) == {key}


def test_every_fault_at_once(problems_of):
    text = SCPI.replace('"READ?"', '"{x}"').replace("scale = 1e-3", "scale = 0")
    text = text.replace("talks", "talk").replace('"APER?"', "1")
    found = set(problems_of(parse, text))
    assert found >= {
        "commands.read",
        "reply.scale",
        "dialect.talk",
        "commands.gate_get",
    }


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<value>(a+)+)$",
        r"(?P<value>(a|a)*)b",
        r"(?P<value>(a|ab)*c)",
        r"(?:(?P<value>a*))*b",
        r"((?P<value>a?)){30}a{30}",
        r"(?P<value>((a{1,9}))+)",
        r"(?P<value>([ab]*)+?)c",
        r"(?P<value>(\(+)*)",
        r"(?P<value>x)(?=(y+)+z)",
        r"(?i:(?P<value>x*))+",
    ],
)
def test_patterns_that_may_explode_are_refused(pattern):
    re.compile(pattern)
    assert "repeats a group" in pattern_fault(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        Dialect("x", "line").reply,
        r"(?P<value>\d{1,3}(,\d{3})*)",
        r"[(+*]+(?P<value>\d+)[^)|]*",
        r"\(?(?P<value>\d+)\)?",
        r"(F=|f=)?(?P<value>[-+]?\d+\.\d*) ?(Hz|HZ)",
        r"(?P<value>\d+)(?# a comment ((a+ )",
        r"[]a]+(?P<value>\d+)",
    ],
)
def test_honest_patterns_are_taken(pattern):
    assert pattern_fault(pattern) == ""


@pytest.mark.parametrize(
    "pattern",
    ["(", "[[a]", "(?P<value>" + "(" * 200 + ")" * 200, "a{99999999999}", "x" * 301],
)
def test_broken_patterns_have_a_reason(pattern):
    assert pattern_fault(pattern)


def test_a_repeat_of_a_group_without_a_choice_is_harmless():
    assert not may_explode(r"(ab)*(?P<value>\d)")


def test_a_dialect_by_path(write):
    path = write("mine.toml", SCPI)
    assert load_dialect(path).name == "mine"
