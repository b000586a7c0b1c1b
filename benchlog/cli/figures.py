"""One run's figures: read from the store, judged, and said in a few aligned lines."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchlog.cli.database import reading
from benchlog.cli.printing import counted, pairs
from benchlog.cli.progress import Progress
from benchlog.units import (
    decimals_for,
    format_duration,
    format_frequency,
    format_ppm,
    format_u_ppm,
    hz_of_ppm,
    seconds_per_day,
)

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader

Document = Mapping[str, Any]

EXIT_CODES: Final = {"pass": 0, "undecided": 4, "fail": 3}
"""The exit code of each verdict, from best to worst."""
_SAID: Final = {"pass": "✓ PASS", "undecided": "? UNDECIDED", "fail": "✗ FAIL"}


def figures_of(db: Path | None, run_ids: Sequence[int]) -> list[dict[str, Any]]:
    """Return the figures of these runs, in order, as `measure --json` prints them."""
    with reading(db) as reader:
        return [judged(reader, reader.run(run_id)) for run_id in run_ids]


def judged(reader: "Reader", run: "Run") -> dict[str, Any]:
    """Read all of a run's readings, with progress, and return its figures."""
    from benchlog.verdict import figures, judge_for

    judge = judge_for(run)
    with Progress(f"reading run {run.id}", reader.count(run.id)) as progress:
        for columns in reader.chunks(run.id):
            judge.feed(columns)
            progress.add(len(columns))
    return figures(run, judge.assessment())


def exit_code(documents: Sequence[Document]) -> int:
    """Return the exit code of the worst verdict; without any it is undecided."""
    ranks = list(EXIT_CODES)
    words = [document["verdict"] for document in documents] or ["undecided"]
    return EXIT_CODES[max(words, key=ranks.index)]


def text_of(document: Document) -> str:
    """Return the figures of one run as a person reads them."""
    lines = [
        ("device", f"{document['device']}, run {document['run']}{_where(document)}"),
        ("part", f"{document['part']}, {format_frequency(document['nominal_hz'])}"),
        ("offset", offset_text(document)),
        ("jitter", _jitter(document)),
        ("ambient", _ambient(document["ambient_c"])),
        ("readings", _readings(document)),
        ("limit", _limit(document)),
        ("time base", _timebase(document["timebase"])),
        ("verdict", "\n".join([_verdict(document), *document["reasons"]])),
    ]
    return pairs(lines)


def offset_text(document: Document) -> str:
    """Return the offset with its uncertainty, in ppm, Hz and seconds a day."""
    offset, u_ppm = document["offset_ppm"], document["u_ppm"]
    if offset is None:
        return "unknown"
    said = f"{format_ppm(offset, u_ppm)} ppm"
    if u_ppm is not None:
        said += f" +- {format_u_ppm(u_ppm)} ppm (95 %)"
    u = abs(offset) / 100 if u_ppm is None else u_ppm
    nominal_hz = document["nominal_hz"]
    hz = format_ppm(hz_of_ppm(offset, nominal_hz), hz_of_ppm(u, nominal_hz))
    day = format_ppm(seconds_per_day(offset), seconds_per_day(u))
    return f"{said}, {hz} Hz, {day} s/day"


def _where(document: Document) -> str:
    simulated = ", simulated" if document["simulated"] else ""
    return f", position {document['position']}{simulated}"


def _limit(document: Document) -> str:
    if document["limit_ppm"] is None:
        return "unknown"
    return f"+-{document['limit_ppm']:,.10g} ppm ({document['limit_text']})"


def _jitter(document: Document) -> str:
    rms, pp = document["jitter_ppm_rms"], document["jitter_ppm_pp"]
    if rms is None or pp is None:
        return "unknown"
    hz = document["jitter_hz_rms"], document["jitter_hz_pp"]
    gate = document["gate_s"]
    at = f", gate {format_duration(gate)}" if gate else ""
    return (
        f"{three_digits(rms)} ppm rms, {three_digits(pp)} ppm p-p "
        f"({three_digits(hz[0])} and {three_digits(hz[1])} Hz){at}"
    )


def three_digits(value: float) -> str:
    """Return a figure with three significant digits and no exponent."""
    if value == 0:
        return "0"
    return f"{value:,.{decimals_for(abs(value) / 10)}f}"


def _ambient(ambient: Mapping[str, float | None]) -> str:
    mean, low, high = ambient["mean"], ambient["min"], ambient["max"]
    if mean is None:
        return "unknown"
    return f"{mean:.1f} C ({low:.1f} to {high:.1f} C)"


def _readings(document: Document) -> str:
    count, gaps = document["readings"], document["gaps"]
    ended = f", {document['ended_how']}" if document["ended_how"] else ", running"
    span = f" in {format_duration(document['span_s'])}" if count else ""
    return f"{count:,}{span}, {counted(gaps, 'gap')}{ended}"


def _timebase(timebase: Document) -> str:
    until = (
        f", valid until {timebase['valid_until']}" if timebase["valid_until"] else ""
    )
    offset = format_ppm(timebase["offset_ppm"], timebase["u_ppm"])
    u = format_u_ppm(timebase["u_ppm"])
    said = f"{timebase['status']}: offset {offset} ppm, u {u} ppm (standard){until}"
    return said + (f"\n{timebase['text']}" if timebase["text"] else "")


def _verdict(document: Document) -> str:
    word = _SAID[document["verdict"]]
    conformance = document["conformance"]
    if conformance is None:
        return word
    return f"{word}, conformance probability {_percent(conformance)}"


def _percent(probability: float) -> str:
    """Return a probability; what is nearly certain never reads as 0 or 100 %."""
    if probability > 0.9999:
        return "> 99.99 %"
    return "< 0.01 %" if probability < 0.0001 else f"{probability * 100:.2f} %"
