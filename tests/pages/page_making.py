"""Runs that a page has something to say of, and what a page is made of."""

import math
from dataclasses import replace
from pathlib import Path

import html5lib
from seeds import seeded_random
from store.making import COUNTER, PART, TIMEBASE, plan

from benchlog.clock import VirtualClock
from benchlog.model import (
    Condition,
    Event,
    EventKind,
    Flag,
    Identity,
    Limits,
    Purpose,
    Reading,
    ReferenceCheck,
    Timebase,
)
from benchlog.pages.content import Chart, Page, Prose
from benchlog.pages.html import html_of
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

HOSTILE = "KX<script>document.title='taken'</script>\"'><img src=x onerror=alert(1)>"
NOTE = (
    "{{ 7*7 }} </style><svg onload=alert(1)>\x1b[2J\u202egnp.exe\nsecond $\\frac{$ line"
)
NS = 10**9


def series(count, *, seed=1, offset_ppm=8.0, swing_c=0.0, noise_ppm=0.01, gap_at=()):
    """Readings of an 8 MHz input (16 MHz behind a divider of 2) about an offset."""
    chance = seeded_random(seed)
    for i in range(count):
        at = i + (200 if any(i >= g for g in gap_at) else 0)
        ambient = 25.0 + swing_c * math.sin(2 * math.pi * i / count)
        ppm = offset_ppm + chance.gauss(0, noise_ppm) + 0.05 * (ambient - 25.0)
        yield Reading(
            utc_ns=1_900_000_000 * NS + at * NS,
            mono_ns=500 * NS + at * NS,
            gate_s=1.0,
            frequency_hz=8e6 * (1 + ppm * 1e-6),
            ambient_c=ambient,
            flags=Flag.GAP_BEFORE if i in gap_at else Flag.NONE,
        )


def write_run(
    writer, readings, *, device="KX-0412", part=PART, timebase=TIMEBASE, **more
):
    """Store a run with its events and a supply; return its id."""
    who = {"counter": replace(COUNTER, text="M,<b>Counter</b>,17,1.0")}
    run = writer.begin_run(
        plan(device, software="benchlog 0.1.0", **more), who, timebase
    )
    segment = writer.begin_segment(run)
    writer.commit([(run, segment, reading) for reading in readings])
    event = Event(1_900_000_001 * NS, NS, EventKind.NOTE, NOTE, "counter")
    supply = Condition(1_900_000_001 * NS, NS, "supply", 3.301, "V", "meter")
    writer.commit([(run, segment, event), (run, segment, supply)])
    writer.end_run(run, "verdict clear")
    return run


def fresh(folder: Path):
    """Open a new database for writing."""
    return Writer.open(folder / "pages.db", VirtualClock())


def parsed(html: str):
    """Parse a page as browsers do; anything that is not valid raises."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return parser.parse(html)


def undrawn(page: Page) -> Page:
    """Return a page with its pictures in words, as who cannot see them is told.

    Drawing them takes nine tenths of the time of a page.
    """
    sections = (
        replace(one, blocks=tuple(map(_in_words, one.blocks))) for one in page.sections
    )
    return replace(page, sections=tuple(sections))


def _in_words(block):
    if not isinstance(block, Chart):
        return block
    return Prose((block.caption, block.alternative))


def said_by(page: Page):
    """Return the tree of a page that is looked at for its words."""
    return parsed(html_of(undrawn(page)))


def words(element) -> str:
    """Return all text below an element, blanks folded."""
    return " ".join(" ".join(element.itertext()).split())


__all__ = [
    "HOSTILE",
    "NOTE",
    "Identity",
    "Limits",
    "Purpose",
    "Reader",
    "ReferenceCheck",
    "Timebase",
    "fresh",
    "parsed",
    "said_by",
    "series",
    "undrawn",
    "words",
    "write_run",
]
