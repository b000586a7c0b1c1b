"""Pages put together from the store, and written to a file."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.evaluation.comparison import RunComparison
from benchlog.evaluation.rack_study import qualification_of
from benchlog.evaluation.stability.hat_study import HatStudy
from benchlog.model import Purpose, Run
from benchlog.pages.check_page import (
    check_run_sections,
    check_sections,
    known_check,
    now_of,
)
from benchlog.pages.check_record import check_record, check_run, spec_behind
from benchlog.pages.compare_page import SOURCES as COMPARE_SOURCES
from benchlog.pages.compare_page import compare_sections
from benchlog.pages.content import (
    Page,
    Section,
    Signatures,
    Table,
    outside,
    printed,
    section,
    table,
    whole_utc,
)
from benchlog.pages.method_notes import closing_sections
from benchlog.pages.rack.device_page import device_sections
from benchlog.pages.rack.rack_page import rack_sections
from benchlog.pages.run_page import run_sections
from benchlog.pages.run_record import RunRecord, run_record
from benchlog.pages.stability.hat_page import SOURCES as HAT_SOURCES
from benchlog.pages.stability.hat_page import hat_sections
from benchlog.pages.typesetting import typeset
from benchlog.store.reader import Reader
from benchlog.store.whole_files import check_place, finished
from benchlog.units import format_frequency, format_ppm, format_u_ppm
from benchlog.version import __version__

ENDINGS: Final = (".html", ".pdf")


@dataclass(frozen=True, slots=True)
class Closing:
    """What a page ends with: keys of `METHODS`, sources of its own, who measured."""

    methods: tuple[str, ...]
    sources: tuple[str, ...] = ()
    operators: tuple[str, ...] = ()


def run_page(reader: Reader, runs: Sequence[Run], clock: Clock) -> Page:
    """Return the page of one run, or of several one after the other."""
    records = [run_record(reader, run) for run in runs]
    closing = Closing(
        tuple(_method(record) for record in records),
        operators=_operators(runs),
    )
    if len(records) == 1:
        run = records[0].run
        return page_of(
            f"{printed(run.device)}: {run.made_for.value}, run {run.id}",
            f"{printed(run.part.title)}, {format_frequency(run.nominal_hz)}, "
            f"begun {whole_utc(run.made_utc_ns[0])}",
            _sections(reader, records[0]),
            clock,
            closing,
        )
    sections: list[Section] = [section("Runs", _summary(records))]
    for record in records:
        run = record.run
        sections.append(Section(f"Run {run.id}: {printed(run.device)}", ()))
        sections += (
            Section(part.title, part.blocks, level=3)
            for part in _sections(reader, record)
        )
    return page_of(f"{len(records)} runs", "", sections, clock, closing)


def _sections(reader: Reader, record: RunRecord) -> Iterator[Section]:
    if record.run.made_for is Purpose.REFCHECK:
        return check_run_sections(check_record(reader, record))
    if record.run.made_for is Purpose.QUALIFY:
        return device_sections(reader, record)
    return run_sections(record)


def _method(record: RunRecord) -> str:
    special = {
        Purpose.REFCHECK: "check",
        Purpose.TRIM: "trim",
        Purpose.QUALIFY: "rack",
    }
    usual = "counter" if record.assessment.timing is None else "pulses"
    return special.get(record.run.made_for, usual)


def rack_page(reader: Reader, run: Run, clock: Clock) -> Page:
    """Return the page of the rack that a run is of. Raises NotFoundError, DataError."""
    found = qualification_of(reader, run.id)
    part = found.devices[0].run.part
    return page_of(
        f"Rack of {len(found.devices)}: {printed(found.plan.title)}",
        f"{printed(part.title)}, {format_frequency(part.nominal_hz)}, "
        f"begun {whole_utc(found.devices[0].run.made_utc_ns[0])}",
        rack_sections(reader, found),
        clock,
        Closing(("rack",), operators=_operators([one.run for one in found.devices])),
    )


def lot_page(reader: Reader, name: str, part_id: str | None, clock: Clock) -> Page:
    """Return the page of a lot. Raises NotFoundError, UsageError."""
    # Half a second of statistics that other pages do not need.
    from benchlog.evaluation.lots import existing_lot  # noqa: PLC0415
    from benchlog.pages import lot_page as lots  # noqa: PLC0415

    lot = existing_lot(reader, name, part_id)
    found = lots.lot_record(reader, lot)
    record = found.report
    return page_of(
        f"Lot {printed(lot.lot)}"
        + (f": {record.standing.decision}" if record.plan else ""),
        f"{printed(record.part.title)}, {format_frequency(record.part.nominal_hz)}",
        lots.lot_sections(found),
        clock,
        Closing(("lot",), lots.SOURCES, _operators(found.runs)),
    )


def check_page(reader: Reader, number: int, clock: Clock) -> Page:
    """Return the page of a reference check. Raises NotFoundError."""
    check = known_check(reader, number)
    who = check.instrument.who
    others = [
        (one, other)
        for one, other in reader.reference_checks(check.instrument.serial or None)
        if other.instrument.who == who
    ]
    made = check_run(reader, check)
    standing = reader.standing_checks(check.instrument.serial, who)
    now = now_of(check, spec_behind(made), standing, clock.utc_ns())
    return page_of(
        f"Reference check {number}",
        printed(check.instrument.text),
        check_sections(check, others, now, made),
        clock,
        Closing(
            ("check",), operators=() if made is None else _operators([made.record.run])
        ),
    )


def compare_page(found: RunComparison, clock: Clock) -> Page:
    """Return the page of a comparison."""
    numbers = ", ".join(str(one.run.id) for one in found.runs)
    names = ", ".join(dict.fromkeys(printed(one.run.device) for one in found.runs))
    return page_of(
        f"Runs {numbers} compared",
        names,
        compare_sections(found),
        clock,
        Closing(
            ("compare",), COMPARE_SOURCES, _operators([one.run for one in found.runs])
        ),
    )


def hat_page(found: HatStudy, clock: Clock) -> Page:
    """Return the page of devices measured together: each one's own stability."""
    numbers = ", ".join(str(run.id) for run in found.runs)
    names = ", ".join(dict.fromkeys(printed(run.device) for run in found.runs))
    return page_of(
        f"Own stability of runs {numbers}",
        names,
        hat_sections(found),
        clock,
        Closing(("hat",), HAT_SOURCES, _operators(found.runs)),
    )


def page_of(
    title: str,
    subtitle: str,
    sections: Iterable[Section],
    clock: Clock,
    closing: Closing,
) -> Page:
    """Return a page of those sections that say something, with what all end with."""
    filled = [one for one in sections if one.blocks or one.title.startswith("Run ")]
    made = whole_utc(clock.utc_ns())
    whole = (
        *filled,
        *closing_sections(closing.methods, closing.sources),
        section("Signatures", _signatures(closing.operators)),
    )
    return typeset(
        Page(
            title=title,
            subtitle=subtitle,
            made=made,
            software=__version__,
            sections=whole,
        )
    )


def _operators(runs: Iterable[Run]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(printed(run.operator) for run in runs if run.operator))


def _signatures(operators: tuple[str, ...]) -> Signatures:
    return Signatures((("Measured by", ", ".join(operators)), ("Checked by", "")))


def write_page(page: Page, out_path: Path, paper: str, *, overwrite: bool) -> None:
    """Write a page as HTML or PDF, by the file's ending; whole or not at all.

    Raises UsageError for the ending or a file that exists, BenchlogError when it
    cannot be written.
    """
    check_target(out_path, overwrite=overwrite)
    data = _rendered(page, out_path.suffix.lower(), paper)
    with finished(out_path, overwrite=overwrite) as written:
        written.write_bytes(data)


def check_target(out_path: Path, *, overwrite: bool) -> None:
    """Raise UsageError for the ending, and what `check_place` raises."""
    if out_path.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"{out_path.name} does not say what page to make; let it end in "
            + " or ".join(ENDINGS)
        )
    check_place(out_path, overwrite=overwrite)


def _rendered(page: Page, ending: str, paper: str) -> bytes:
    if ending == ".pdf":
        from benchlog.pages.pdf import pdf_of  # noqa: PLC0415 - loads fpdf2

        return pdf_of(page, paper)
    from benchlog.pages.html import html_of  # noqa: PLC0415 - loads jinja2

    return html_of(page).encode()


def _summary(records: Sequence[RunRecord]) -> Table:
    rows = [
        (
            record.run.id,
            outside(record.run.device),
            record.run.part.id,
            format_ppm(record.assessment.offset_ppm, record.assessment.u_ppm),
            format_u_ppm(record.assessment.u_ppm),
            printed(record.evaluation.not_counted_text or record.evaluation.decision)
            + (" (simulated)" if record.evaluation.simulated else ""),
        )
        for record in records
    ]
    headers = ("Run", "Device", "Part", "Offset, ppm", "U, ppm", "Verdict")
    return table("What came out", headers, rows, "rllrr")
