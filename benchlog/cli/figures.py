"""One run's figures: read from the store, judged, and said in a few aligned lines."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.database import reading
from benchlog.cli.printing import pairs
from benchlog.cli.progress import Progress
from benchlog.evaluation.wording import (
    Document,
    ambient_text,
    jitter_text,
    limit_text,
    offset_text,
    percent,
    readings_text,
    three_digits,
    timebase_text,
)
from benchlog.units import (
    format_frequency,
    format_ppm,
    format_u_ppm,
    iso_utc,
    printable,
)

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader
    from benchlog.verdict import Assessment
    from benchlog.verdict.night import Night, NightWatch

__all__ = [
    "EXIT_CODES",
    "exit_code",
    "figures_of",
    "judged",
    "judged_night",
    "offset_text",
    "text_of",
    "three_digits",
]
EXIT_CODES: Final = {"pass": 0, "undecided": 4, "fail": 3}
"""The exit code of each verdict, from best to worst."""
_SAID: Final = {"pass": "✓ PASS", "undecided": "? UNDECIDED", "fail": "✗ FAIL"}


def figures_of(db: Path | None, run_ids: Sequence[int]) -> list[dict[str, Any]]:
    """Return the figures of these runs, in order, as `measure --json` prints them."""
    with reading(db) as reader:
        return [judged(reader, reader.run(run_id)) for run_id in run_ids]


def judged(reader: "Reader", run: "Run") -> dict[str, Any]:
    """Read all of a run's readings, with progress, and return its figures."""
    from benchlog.evaluation.document import figures

    run = known_now(reader, run)
    return _with_state(reader, run, figures(run, _gone_through(reader, run)))


def known_now(reader: "Reader", run: "Run") -> "Run":
    """Return the run with what is known by now of the check it rests on."""
    from benchlog.verdict.standing import as_known

    return as_known(run, (check for _, check in reader.reference_checks()))


def judged_night(reader: "Reader", run: "Run") -> "tuple[dict[str, Any], Night]":
    """As `judged`, with how a long run went."""
    from benchlog.evaluation.document import figures
    from benchlog.verdict.night import NightWatch

    run = known_now(reader, run)
    watch = NightWatch(run)
    assessment = _gone_through(reader, run, watch)
    events = [event for _, event in reader.events(run.id)]
    found = _with_state(reader, run, figures(run, assessment))
    return found, watch.night(assessment, events)


def _with_state(
    reader: "Reader", run: "Run", document: dict[str, Any]
) -> dict[str, Any]:
    from benchlog.control import state_of

    more: dict[str, Any] = {"state": state_of(run, reader.original)}
    if "checks" in run.snapshot and run.snapshot["checks"] is not None:
        more["check"] = _check_of(reader, run)
    return {**document, **more}


def _check_of(reader: "Reader", run: "Run") -> dict[str, Any] | None:
    """Return the reference check that came of a run; None when none was kept."""
    for number, check in reader.reference_checks():
        if check.run_id == run.id:
            return {
                "number": number,
                "offset_ppm": check.offset_ppm,
                "u_ppm": 2.0 * check.u_ppm,
                "valid_until": iso_utc(check.valid_until_utc_ns),
                "void": check.void,
            }
    return None


def _gone_through(
    reader: "Reader", run: "Run", watch: "NightWatch | None" = None
) -> "Assessment":
    from benchlog.verdict import judge_for
    from benchlog.verdict.pulsejudge import PulseJudge

    judge = judge_for(run)
    with Progress(f"reading run {run.id}", reader.count(run.id)) as progress:
        for columns in reader.chunks(run.id):
            judge.feed(columns)
            if watch is not None:
                watch.feed(columns)
            progress.add(len(columns))
    if isinstance(judge, PulseJudge):
        judge.feed_pulses(reader.pulses_after(run.id))
        if watch is not None:
            watch.feed(judge.charted())
    return judge.assessment()


def exit_code(documents: Sequence[Document]) -> int:
    """Return the exit code of the worst verdict; without any it is undecided."""
    ranks = list(EXIT_CODES)
    words = [document["verdict"] for document in documents] or ["undecided"]
    return EXIT_CODES[max(words, key=ranks.index)]


def text_of(document: Document) -> str:
    """Return the figures of one run as a person reads them."""
    again = ", judged again" if document.get("judged_again") else ""
    lines = [
        (
            "device",
            f"{printable(document['device'])}, run {document['run']}{_where(document)}",
        ),
        ("part", f"{document['part']}, {_nominal(document)}{again}"),
        ("offset", offset_text(document)),
        ("timing" if document.get("timing") else "jitter", jitter_text(document)),
        ("ambient", ambient_text(document)),
        ("pulses" if document.get("timing") else "readings", readings_text(document)),
        ("limit", limit_text(document)),
        ("time base", timebase_text(document["timebase"])),
        ("verdict", "\n".join([_verdict(document), *document["reasons"]])),
    ]
    if "check" in document:
        lines.append(("check", _check(document["check"])))
    return pairs(lines)


def _check(found: dict[str, Any] | None) -> str:
    if found is None:
        return "none was kept of this run"
    u = found["u_ppm"]
    held = f"holds until {found['valid_until']}"
    if found["void"] is not None:
        held = f"VOID, it corrects nothing ({found['void']})"
    return (
        f"number {found['number']}: time base {format_ppm(found['offset_ppm'], u)} +- "
        f"{format_u_ppm(u)} ppm (95 %), {held}"
    )


def _nominal(document: Document) -> str:
    return format_frequency(document["nominal_hz"])


def _where(document: Document) -> str:
    simulated = ", simulated" if document["simulated"] else ""
    if document.get("device_typed"):
        simulated += f", typed as {document['device_typed']}"
    if document.get("void"):
        simulated += f"\nVOID: {document['void']}"
    return f", position {document['position']}{simulated}"


def _verdict(document: Document) -> str:
    word = _SAID[document["verdict"]]
    conformance = document["conformance"]
    if conformance is None:
        return word
    return f"{word}, conformance probability {percent(conformance)}"
