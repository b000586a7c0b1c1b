"""How a long run went, as the section of a page."""

from collections.abc import Iterator
from typing import Final

from benchlog.report.pages.content import Block, Section, facts, section, table
from benchlog.verdict.night import Night
from benchlog.verdict.nightwords import hole_rows, night_facts

_HOLES: Final = 50


def night_section(night: Night | None) -> Section:
    """Return what a person wants to know in the morning; empty of a short run."""
    return section("How it went", *(() if night is None else _blocks(night)))


def _blocks(night: Night) -> Iterator[Block]:
    yield facts((name.capitalize(), said) for name, said in night_facts(night))
    rows = hole_rows(night, _HOLES)
    more = night.gaps - len(rows)
    note = f"{more:,} more gaps are not listed." if more > 0 else ""
    yield table("Gaps", ("Begun, UTC", "For", "Cause", "What"), rows, "", note)
