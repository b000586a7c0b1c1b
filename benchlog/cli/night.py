"""How a long run went, in lines."""

from typing import TYPE_CHECKING, Final

from benchlog.cli.printing import pairs, table

if TYPE_CHECKING:
    from benchlog.verdict.run.soak_summary import SoakSummary

_HOLES: Final = 20


def night_text(night: "SoakSummary") -> str:
    """Return the summary as a person reads it in the morning."""
    from benchlog.verdict.run.soak_summary_text import hole_rows, night_facts

    rows = hole_rows(night, _HOLES)
    facts = pairs(night_facts(night))
    if not rows:
        return facts
    more = night.gaps - len(rows)
    shown = table(("gap (UTC)", "for", "cause", ""), rows)
    return f"{facts}\n\n{shown}" + (f"\nand {more:,} more" if more > 0 else "")
