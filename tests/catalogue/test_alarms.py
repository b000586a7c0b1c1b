"""`[[alarm]]` in bench files: what is accepted, and every problem at once."""

import tomllib
from pathlib import Path

import pytest

from benchlog.catalogue import bench_from_mapping
from benchlog.errors import ConfigError
from benchlog.model import AlarmRule

BENCH = """
[instruments.room]
driver = "typed-in"
value = 25.0
unit = "Hz"
quantity = "frequency"
[[position]]
name = "A"
frequency = "room"
"""


def rules(text):
    return bench_from_mapping(tomllib.loads(BENCH + text), Path("bench.toml")).alarms


def problems(text):
    with pytest.raises(ConfigError) as caught:
        rules(text)
    return [str(problem) for problem in caught.value.problems]


def test_a_bench_without_alarms_has_none():
    assert rules("") == ()


def test_a_whole_rule():
    found = rules(
        """
        [[alarm]]
        when = "offset_ppm"
        above = 20
        below = -20
        hold_s = 30
        quiet_s = 60
        command = ["notify", "{text}"]
        webhook = "http://127.0.0.1:9000/bench"
        [[alarm]]
        when = "lost_s"
        above = 120
        """
    )
    command, webhook = ("notify", "{text}"), "http://127.0.0.1:9000/bench"
    assert found == (
        AlarmRule(
            when="offset_ppm",
            above=20.0,
            below=-20.0,
            hysteresis=1.0,
            hold_s=30.0,
            quiet_s=60.0,
            command=command,
            webhook=webhook,
        ),
        AlarmRule(when="lost_s", above=120.0),
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('when = "offset"\nabove = 1', "offset_ppm, jitter_ppm, lost_s"),
        ('when = "lost_s"', "above or below"),
        ('when = "disk_mb"\nbelow = 5\nabove = 4', "a lower number than above"),
        ('when = "lost_s"\nabove = 1\ncommand = "rm -rf"', "a list of texts"),
        ('when = "lost_s"\nabove = 1\nwebhook = "file:///etc"', "http://"),
        ('when = "lost_s"\nabove = 1\nhold = 3', "hold_s"),
        ('when = "lost_s"\nabove = nan', "alarm[0].above"),
        ("above = 1", "alarm[0].when"),
    ],
)
def test_what_is_unfit_is_named(text, said):
    (problem, *_) = problems(f"[[alarm]]\n{text}")
    assert said in problem
    assert "alarm[0]" in problem


def test_two_faults_in_two_rules_are_two_problems():
    found = problems('[[alarm]]\nwhen = "x"\nabove = 1\n[[alarm]]\nwhen = "lost_s"')
    assert len(found) == 2


def commanded(*words):
    listed = ", ".join(f"'{word}'" for word in words)
    return f"[[alarm]]\nwhen = 'lost_s'\nabove = 1\ncommand = [{listed}]"


@pytest.mark.parametrize(
    "words",
    [
        ("sh", "-c", "echo {device} >> told"),
        ("/bin/bash", "-lc", "notify {text}"),
        ("env", "A=b", "timeout", "9", "dash", "-e", "-c", "x {position}"),
        ("bash", "-cx", "notify {text}"),
        ("bash", "-c", "-x", "--", "notify {text}"),
        ("su", "operator", "-c", "notify {text}"),
        ("su", "operator", "--command=notify {text}"),
        ("env", "-S", "notify {text}"),
        ("python3", "-c", "print({text})"),
        ("python3", "-u", "-c", "print({text})"),
        ("python3", "-X", "dev", "-c", "print({text})"),
        ("python3", "told.py", "sh", "-c", "notify {text}"),
        ("bash", "--rcfile", "x.sh", "-c", "notify {text}"),
        ("perl", "-e", "print {text}"),
        ("rbash", "-c", "notify {text}"),
        ("ksh93", "-c", "notify {text}"),
        ("pwsh", "-Command", "notify {text}"),
        ("expect", "-c", "send {text}"),
        ("openocd", "-f", "x.cfg", "-c", "echo {text}"),
        ("gdb", "-batch", "-ex", "print {text}"),
        ("Rscript", "-e", "print({text})"),
    ],
)
def test_no_value_becomes_part_of_a_shell_s_script(words):
    """A device may be called `$(reboot)`."""
    (said,) = problems(commanded(*words))
    assert "alarm[0].command" in said and "would run what a value says" in said
    assert words[-1] not in said  # a program may have a secret in its words


@pytest.mark.parametrize(
    "words",
    [
        ("sh", "-c", 'notify "$1"', "sh", "{text}"),
        ("sh", "told.sh", "{text}"),
        ("grep", "-c", "{text}"),
        ("python3", "told.py", "--text={text}"),
        ("perl", "told.pl", "{text}"),
        ("sh", "-c"),
        # words behind a file are the file's own
        ("python3", "told.py", "-c", "{text}"),
        ("python3", "-u", "/opt/told.py", "-subject", "{text}"),
        ("perl", "-w", "told.pl", "-device", "{device}"),
        ("bash", "told.sh", "-c", "{text}"),
    ],
)
def test_a_value_may_be_a_word_of_a_shell_s(words):
    (rule,) = rules(commanded(*words))
    assert rule.command == words
