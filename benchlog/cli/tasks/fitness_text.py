"""What a source is good for, as a person reads it."""

from collections.abc import Sequence
from typing import Any

from benchlog.cli.printing import table
from benchlog.evaluation.wording import symbol_of


def text_of(rows: Sequence[dict[str, Any]]) -> str:
    """Return the results as a person reads them: of the run, then of the parts."""
    runs = [row for row in rows if row["run"] is not None]
    parts = [row for row in rows if row["run"] is None]
    blocks = []
    if runs:
        blocks += [_table(runs, "use"), *_better(runs)]
    for use in dict.fromkeys(row["use"] for row in parts):
        of_use = [row for row in parts if row["use"] == use]
        head = of_use[0]
        blocks.append(f"{use}: {head['title']} ({head['source']}; {head['status']})")
        blocks.append(_table(of_use, "part"))
    return "\n\n".join(blocks)


def _table(rows: Sequence[dict[str, Any]], name: str) -> str:
    kind = name == "part"
    headers = (name, *(("kind",) if kind else ()), "allowed ppm", "worst ppm")
    cells = [
        (
            row[name],
            *((row["kind"],) if kind else ()),
            _four(row["tolerance_ppm"]),
            _four(row["worst_ppm"]),
            _margin(row["margin"]),
            f"{symbol_of(row['verdict'])} {row['verdict']}",
            row["dominant"],
        )
        for row in rows
    ]
    right = "llrrr" if kind else "lrrr"
    return table((*headers, "left", "verdict", "mostly"), cells, right)


def _four(value: float) -> str:
    """Return four significant digits without an exponent."""
    from benchlog.units import decimals_for

    return f"{value:,.{min(4, decimals_for(abs(value) / 100))}f}" if value else "0"


def _margin(margin: float) -> str:
    if margin < -9.99:
        return "< -999 %"
    return f"{100 * margin:.0f} %"


def _better(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Return what another divisor than the nominal frequency's would give."""
    lines = [
        f"{row['use']}: divisor {row['retuned']['divisor']}, chosen from the measured "
        f"frequency, would be {_four(row['retuned']['worst_ppm'])} ppm at worst "
        f"({row['retuned']['verdict']}) in place of {row['divisor']['divisor']}"
        for row in rows
        if row["retuned"] and row["retuned"]["divisor"] != row["divisor"]["divisor"]
    ]
    return ["\n".join(lines)] if lines else []
