"""A trimmed lot as a person reads it: codes, what is left, who stayed out."""

from collections import Counter
from collections.abc import Iterator
from typing import Final

from benchlog.cli.printing import pairs, table
from benchlog.cli.tasks.lot_text import histogram_lines
from benchlog.evaluation.trimmed_lot import NOT_BURNED, TrimmedLot
from benchlog.units import counted, format_ppm, format_u_ppm, printable, three_digits
from benchlog.verdict.lot.lot_text import lot_facts

CSV_COLUMNS: Final = ("device", "code")
"""What a programmer takes in."""
_MOST_LISTED: Final = 20  # our rule: a screenful
_FACTS: Final = ("limit", "mean", "scatter")


def line_text(found: TrimmedLot) -> str:
    """Return the whole summary, a few paragraphs."""
    histogram = found.report.figures.histogram
    drawn = [] if histogram is None else histogram_lines(histogram)
    parts = (pairs(_head(found)), "\n".join(drawn), _newest(found), _left(found))
    return "\n\n".join(part for part in parts if part)


def _head(found: TrimmedLot) -> Iterator[tuple[str, str]]:
    report = found.report
    yield "lot", f"{printable(report.lot.lot)}, {report.part.id}"
    out = found.not_brought_in
    all_ = len(found.chips) + len(found.left)
    said = f"{len(found.brought_in)} of {counted(all_, 'device')} brought in"
    yield "trimmed", f"{said}, {len(out)} not" if out else said
    codes = sorted(chip.code for chip in found.chips if chip.code is not None)
    if codes:
        middle = codes[len(codes) // 2]
        yield "codes", f"{codes[0]} to {codes[-1]}, median {middle}"
    steps = sorted(chip.steps for chip in found.chips if chip.steps is not None)
    if steps:
        yield "search", f"{steps[len(steps) // 2]} measurements a device, median"
    for name, said in lot_facts(report):
        if name in _FACTS:
            yield name, said
    offsets = [
        abs(chip.result.offset_ppm)
        for chip in found.chips
        if chip.result.offset_ppm is not None
    ]
    if offsets:
        yield "farthest", f"{three_digits(max(offsets))} ppm from nominal"
    states = Counter(chip.burn for chip in found.chips)
    if states.keys() - {NOT_BURNED}:
        yield "burned", ", ".join(f"{n} {state}" for state, n in states.items())
    if any(run.simulated for run in report.runs):
        yield "data", "simulated: nothing here was measured on real devices"


def _newest(found: TrimmedLot) -> str:
    rows = [
        (
            chip.result.device,
            "-" if chip.code is None else str(chip.code),
            format_ppm(chip.result.offset_ppm, chip.result.u_ppm),
            format_u_ppm(chip.result.u_ppm),
            str(chip.result.word),
            str(chip.result.run),
            "" if chip.burn == NOT_BURNED else chip.burn,
        )
        for chip in found.chips[-_MOST_LISTED:]
    ]
    if not rows:
        return ""
    headers = ("device", "code", "offset ppm", "U ppm", "verdict", "run", "")
    more = len(found.chips) - len(rows)
    listed = table(headers, rows, "lrrrlr")
    return f"the newest {len(rows)} of {len(found.chips)}\n{listed}" if more else listed


def _left(found: TrimmedLot) -> str:
    out = found.not_brought_in
    rows = [(device, str(run), why) for device, run, why in out[:_MOST_LISTED]]
    if not rows:
        return ""
    listed = table(("not brought in", "run", "why"), rows, "lr")
    more = len(out) - len(rows)
    return f"{listed}\nand {more} more" if more else listed


def codes_csv(found: TrimmedLot) -> str:
    """Return device and code of those that were brought in, comma-separated.

    What a spreadsheet would execute or split is percent-encoded.
    """
    from benchlog.exchange.spreadsheet_cells import table_text

    rows = [
        {"device": chip.result.device, "code": chip.code} for chip in found.brought_in
    ]
    return table_text(CSV_COLUMNS, rows)
