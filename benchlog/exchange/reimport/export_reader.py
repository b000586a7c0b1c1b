"""Reading back what `export` wrote: everything that a run had, or what is damaged."""

import json
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from benchlog.errors import DataError
from benchlog.exchange.checksum import LineSum
from benchlog.exchange.export.export_text import HEAD, MAGIC
from benchlog.exchange.export.exported_fields import FORMAT, OF_CHECK
from benchlog.exchange.spreadsheet_cells import comment_of, text_of
from benchlog.exchange.text.text_rows import LineProblem, problem
from benchlog.exchange.text_lines import Line
from benchlog.model import (
    Condition,
    Decision,
    Edge,
    Event,
    Flag,
    Identity,
    PhasePoint,
    Reading,
    ReferenceCheck,
)
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.snapshot import part_from, timebase_from
from benchlog.store.snapshot_types import check_word

_JSON_MAGIC: Final = '{"row": "run"'
_COLUMNS: Final = HEAD.count(",") + 1
DAMAGE: Final = (
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    OverflowError,
    RecursionError,
    DataError,
)
"""What comes of a line that is not as we write it."""
_LATEST: Final = 2**63
Noun = Reading | Event | Condition | Edge | PhasePoint


@dataclass(frozen=True, slots=True)
class Logged:
    """One thing of the exported run, and the segment there that it belongs to."""

    segment: int | None
    noun: Noun


@dataclass(frozen=True, slots=True)
class Altered:
    """The file is not as it was written: its check sum does not fit."""


@dataclass(frozen=True, slots=True)
class Intact:
    """The file has a check sum, and it fits."""


Concluded = VerdictRow | Amendment | ReferenceCheck
Found = Mapping[str, Any] | Logged | Concluded | LineProblem | Altered | Intact
"""The run's header (the first), what it logged and concluded, what is damaged."""


def is_own(first: Line | None) -> bool:
    """Whether a file that begins with this line is an export of ours."""
    return first is not None and first[1].startswith((MAGIC, _JSON_MAGIC))


def read_own(lines: Iterator[Line]) -> Iterator[Found]:
    """Yield what an export holds, its header first.

    Raises DataError when the header is damaged or from a newer version.
    """
    first = next(lines)
    if first[1].startswith(MAGIC):
        yield from _read_csv(first, lines)
    else:
        yield from _read_jsonl(first, lines)


def _read_csv(first: Line, lines: Iterator[Line]) -> Iterator[Found]:
    total = LineSum()
    header = {"format": comment_of(total.add_line(first[1]))[1]}
    for _, text in lines:
        total.add_line(text)
        if not text.startswith("# "):
            break
        key, value = comment_of(text)
        header[key] = value
    yield checked_header(header)
    yield from _rest(lines, _csv_row, total)


def _read_jsonl(first: Line, lines: Iterator[Line]) -> Iterator[Found]:
    total = LineSum()
    try:
        header = json.loads(total.add_line(first[1]))
    except (ValueError, RecursionError) as error:
        raise DataError("the first line of the export is damaged") from error
    yield checked_header(header)
    yield from _rest(lines, _json_row, total)


def noun_of(name: str, fields: Mapping[str, Any]) -> Found:
    """Return what a named row of an export stands for. Raises KeyError, TypeError."""
    return _NOUNS[name](fields)


def checked_header(header: dict[str, Any]) -> dict[str, Any]:
    """Return the header of an export. Raises DataError when it cannot be used."""
    version = header.get("format")
    if not isinstance(version, int) or not isinstance(header.get("snapshot"), dict):
        raise DataError("the head of the export is damaged: no snapshot of the run")
    if version > FORMAT:
        raise DataError(
            f"the export has format {version}, this benchlog reads up to {FORMAT}: "
            "update benchlog"
        )
    return header


_Row = Callable[[str], tuple[str, Any]]


def _rest(lines: Iterator[Line], row_of: _Row, total: LineSum) -> Iterator[Found]:
    found, end, line = Counter[str](), None, (1, "")
    for line in lines:
        try:
            name, fields = row_of(line[1])
            if name == "end":
                end = _End(
                    int(fields["readings"]), _edges(fields), fields.get("sha256")
                )
                continue
            total.add_line(line[1])
            noun = _NOUNS[name](fields)
        except DAMAGE:
            yield problem(line, "damaged")
            continue
        found[name] += 1
        yield noun
    yield from _ended(found, end, line, total)


@dataclass(frozen=True, slots=True)
class _End:
    """What the last line of an export says of it; None where an older one does not."""

    reading: int
    edge: int | None
    sha256: str | None


def _edges(fields: Mapping[str, Any]) -> int | None:
    return int(fields["edges"]) if "edges" in fields else None


def _ended(
    found: Counter[str], end: _End | None, line: Line, total: LineSum
) -> Iterator[Found]:
    if end is None:
        left = f"{found['reading']} readings are left of the export"
        yield problem(line, f"{left}, it ends early")
        return
    for name in ("reading", "edge"):
        said = getattr(end, name)
        if said is not None and said != found[name]:
            left = f"{found[name]} {name}s are left of the export"
            yield problem(line, f"{left}, it speaks of {said}")
    if end.sha256 is not None:
        yield Intact() if end.sha256 == total.text() else Altered()


def _csv_row(text: str) -> tuple[str, Any]:
    if text.startswith("# "):
        return comment_of(text)
    cells = text.split(",")
    if len(cells) != _COLUMNS:
        raise ValueError("columns")
    _, segment, _, utc, mono, gate, hertz, ambient, flags, _, raw = cells
    return "reading", {
        "segment_id": int(segment),
        "utc_ns": int(utc) if utc else None,
        "mono_ns": int(mono),
        "gate_s": float(gate),
        "frequency_hz": float(hertz),
        "ambient_c": float(ambient) if ambient else None,
        "flags": int(flags),
        "raw": text_of(raw),
    }


def _json_row(text: str) -> tuple[str, Any]:
    fields = json.loads(text)
    return fields.pop("row"), fields


def _reading(fields: Mapping[str, Any]) -> Found:
    return Logged(
        fields["segment_id"],
        Reading(
            fields["utc_ns"],
            fields["mono_ns"],
            float(fields["gate_s"]),
            float(fields["frequency_hz"]),
            fields["ambient_c"],
            Flag(fields["flags"]),
            fields["raw"],
        ),
    )


def _event(fields: Mapping[str, Any]) -> Found:
    raw = fields["raw"]
    return Logged(
        fields["segment_id"],
        Event(
            fields["utc_ns"],
            fields["mono_ns"],
            fields["kind"],
            fields["text"],
            fields["instrument"],
            None if raw is None else bytes.fromhex(raw),
        ),
    )


def _condition(fields: Mapping[str, Any]) -> Found:
    plain = _without(fields, "id", "segment_id", "flags")
    condition = Condition(**plain, flags=Flag(fields["flags"]))
    return Logged(fields["segment_id"], condition)


def _edge(fields: Mapping[str, Any]) -> Found:
    plain = _without(fields, "id", "segment_id", "flags")
    return Logged(fields["segment_id"], Edge(**plain, flags=Flag(fields["flags"])))


def _phase(fields: Mapping[str, Any]) -> Found:
    plain = _without(fields, "id", "segment_id", "flags")
    point = PhasePoint(**plain, flags=Flag(fields["flags"]))
    return Logged(fields["segment_id"], point)


def _verdict(fields: Mapping[str, Any]) -> Found:
    row = VerdictRow(**fields)
    check_word("verdict", row.word, Decision)
    basis: Any = dict(row.figures).get("basis")
    if basis is not None:  # what it rests on is read whenever the run is
        part_from(basis["part"])
        timebase_from(basis["timebase"])
    for figure in (row.offset_ppm, row.u_ppm, row.limit_ppm, row.conformance):
        if figure is not None and not math.isfinite(figure):
            raise ValueError("a figure that is not finite")
    _fits(row.at_utc_ns)
    return row


def _amendment(fields: Mapping[str, Any]) -> Found:
    row = Amendment(**fields)
    if not row.is_known:
        raise ValueError("an amendment of a kind that there is not")
    _fits(row.at_utc_ns)
    return row


def _fits(utc_ns: object) -> None:
    """Raise ValueError for what is no time a database can hold."""
    if utc_ns is not None and not (isinstance(utc_ns, int) and abs(utc_ns) < _LATEST):
        raise ValueError("no time")


def _refcheck(fields: Mapping[str, Any]) -> Found:
    who, *kept = (fields[name] for name in OF_CHECK)
    plain = {k: v for k, v in who.items() if k not in ("simulated", "settings")}
    if not all(isinstance(value, str) for value in plain.values()) or not who["serial"]:
        raise ValueError("a check is found by a serial number")
    offset_ppm, u_ppm, method, at_utc_ns, until_utc_ns = kept
    if not (math.isfinite(offset_ppm) and 0 < u_ppm < math.inf):
        raise ValueError("no figures of a check")
    _fits(at_utc_ns)
    _fits(until_utc_ns)
    return ReferenceCheck(
        instrument=Identity(**who),
        offset_ppm=float(offset_ppm),
        u_ppm=float(u_ppm),
        method=str(method),
        at_utc_ns=int(at_utc_ns),
        valid_until_utc_ns=int(until_utc_ns),
    )


def _without(fields: Mapping[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if name not in names}


_NOUNS: Final[dict[str, Callable[[Mapping[str, Any]], Found]]] = {
    "reading": _reading,
    "event": _event,
    "condition": _condition,
    "edge": _edge,
    "phase": _phase,
    "verdict": _verdict,
    "amendment": _amendment,
    "refcheck": _refcheck,
}
