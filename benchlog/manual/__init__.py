"""The manual: one page of Markdown for each task of a bench day.

`benchlog help` prints these pages; they are package data and need no network. The
table below holds what the list of topics prints, so that listing reads no file.
"""

from importlib.resources import files
from typing import Final, NamedTuple


class Topic(NamedTuple):
    """What the list of topics holds of one page."""

    line: str
    commands: tuple[str, ...] = ()
    """The commands that this page explains."""


TOPICS: Final = {
    "safety": Topic("Before you connect anything: hook-up, warm-up, cautions."),
    "first-device": Topic(
        "From a bench without instruments to a verdict on one device.",
        ("doctor", "ports", "bench", "check-bench", "measure", "demo"),
    ),
    "bench-file": Topic("Which instruments you have, and where devices sit."),
    "figures": Topic(
        "What the screen shows, and how each figure comes about.",
        ("show", "watch", "stop"),
    ),
    "over-temperature": Topic("What is judged where, and what to do in a cool lab."),
    "time-base": Topic("Know your counter: reference checks.", ("refcheck",)),
    "pulses": Topic("Measure without a counter: pulses on serial lines."),
    "comparison": Topic(
        "Find runs, and tell whether two devices differ.",
        ("runs", "devices", "results", "compare"),
    ),
    "inspection": Topic(
        "Accept or reject a lot by a drawn sample.", ("inspect", "lots")
    ),
    "rc-oscillators": Topic(
        "Trim codes, response to warmth and supply, chips of a lot.",
        ("trim", "response", "chips"),
    ),
    "rack": Topic(
        "A rack of devices: chamber, supply, scanner, sequences.",
        ("sequences", "qualify"),
    ),
    "overnight": Topic("Runs of a night or a month, alarms, a service.", ("soak",)),
    "metrics": Topic("Figures for a monitoring system: OpenMetrics, alerts."),
    "drift": Topic(
        "How a device follows temperature and ages.", ("temperature", "ageing")
    ),
    "noise": Topic("Deviations against averaging time.", ("stability", "hat")),
    "uses": Topic("What a source is good for.", ("fitness",)),
    "records": Topic(
        "Pages to file; corrections that lose nothing.",
        ("report", "judge", "void", "correct"),
    ),
    "exchange": Topic(
        "Files out and in, datasets, backup, merging benches, damage.",
        ("export", "import", "backup", "merge", "check"),
    ),
    "forwarding": Topic(
        "Send a bench's runs on to PostgreSQL or an object store.", ("forward",)
    ),
    "simulated-bench": Topic("Practise without instruments.", ("simulate",)),
    "files": Topic(
        "Parts, benches, dialects, uses; the database.", ("parts", "defaults")
    ),
    "drivers": Topic("Which instruments are known, and drivers of your own."),
    "scripts": Topic(
        "JSON, exit codes, Python, shell completion.", ("completion", "help")
    ),
    "troubleshooting": Topic("What goes wrong on a bench, and what to do."),
    "security": Topic("What is trusted, what survives what, and what is found."),
    "changes": Topic("What has changed from version to version."),
    "glossary": Topic("The words of this manual."),
}
"""Topic to its line and commands, in the order in which a bench day needs them."""


def read_page(topic: str) -> str:
    """Return the Markdown of a page; KeyError when there is no such topic."""
    if topic not in TOPICS:
        raise KeyError(topic)
    return files(__name__).joinpath(f"{topic}.md").read_text("utf-8")


def topic_of(command: str) -> str | None:
    """Return the topic whose page explains a command."""
    for name, topic in TOPICS.items():
        if command in topic.commands:
            return name
    return None
