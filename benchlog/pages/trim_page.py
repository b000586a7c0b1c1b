"""The sections of a trim: which code is best, and what each code gave."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from benchlog.evaluation.trimmed_lot import NOT_BURNED, burn_of
from benchlog.model import Event, EventKind
from benchlog.model.trims import SET, trim_notes
from benchlog.pages.charts import course_chart
from benchlog.pages.content import (
    Block,
    Prose,
    Ruling,
    Section,
    section,
)
from benchlog.pages.run_record import RunRecord
from benchlog.pages.study_charts import trim_chart, trim_table
from benchlog.units import as_stated, format_ppm, format_u_ppm, printable

_BEST: Final = re.compile(
    r"best code (\d+) is set, for now: ([-+]?[\d,.]+) \+- ([\d,.]+) ppm; .*"
)
"""How runs tell it that have no note of it as values."""
_KEPT: Final = (
    "the code stays set until the next reset: nothing was written to permanent memory"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeLeft:
    """The code that a trim ended on: its offset and U (95 %) in ppm, and as told.

    `is_best` unless the chip had been burned before, with a code that is not the best.
    """

    code: int
    offset_ppm: float
    u_ppm: float
    said: str
    is_best: bool = True

    @property
    def name(self) -> str:
        """Return what to call it, at the beginning of a sentence."""
        return f"Best code {self.code}" if self.is_best else f"Code {self.code}"


def code_left(events: Iterable[Event]) -> CodeLeft | None:
    """Return what a trim's events tell of the code it left; None when it did not end.

    `events` are looked through twice.
    """
    for note in trim_notes(events):
        offset_ppm, u_ppm = note.offset_ppm, note.u_ppm
        if note.what == SET and offset_ppm is not None and u_ppm is not None:
            said = f"{format_ppm(offset_ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm"
            return CodeLeft(
                code=note.code,
                offset_ppm=offset_ppm,
                u_ppm=u_ppm,
                said=f"{said} (95 %)",
                is_best=note.best is None,
            )
    return _by_words(events)


def _by_words(events: Iterable[Event]) -> CodeLeft | None:
    for event in events:
        told = _BEST.fullmatch(event.text) if event.kind == EventKind.TRIM else None
        if told is not None:
            code, offset, u = told.groups()
            return CodeLeft(
                code=int(code),
                offset_ppm=_number(offset),
                u_ppm=_number(u),
                said=f"{offset} +- {u} ppm (95 %)",
            )
    return None


def trim_ruling(record: RunRecord) -> Ruling:
    """Return the verdict on the code that stays in large letters, and why."""
    left = code_left(record.events)
    if left is None:
        return Ruling("none", "No best code: the trim did not end", ())
    burn = burn_of(trim_notes(record.events))
    kept = _KEPT if burn == NOT_BURNED else f"code {left.code}: {burn}"
    evaluation, found = record.evaluation, record.assessment
    limit = record.run.part.limits.tolerance_ppm
    if found.stats.n_settling == 0 or found.u_ppm is None or found.offset_ppm is None:
        # an earlier version's run: what is judged is a mean over all its codes
        against = f"{_against(left, limit)} +-{as_stated(limit)} ppm"
        return Ruling("none", f"{left.name}: {left.said}", (against, kept))
    u_ppm = found.u_ppm
    said = f"{format_ppm(found.offset_ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm (95 %)"
    headline = f"{left.name}: {said}"
    reasons = (*map(printable, evaluation.reasons), kept)
    if evaluation.not_counted_text:
        return Ruling("none", headline, reasons)
    word = evaluation.decision
    return Ruling(word.value, f"{word.value.upper()}. {headline}", reasons)


def trim_sections(record: RunRecord) -> Iterator[Section]:
    """Yield the codes and the course of a trim."""
    codes = dict(record.codes)
    chart = trim_chart(codes, record.run.part.limits.tolerance_ppm)
    yield section("Trim codes", chart, trim_table(codes))
    yield section("Course of the run", *_course(record))


def _course(record: RunRecord) -> Iterator[Block]:
    if record.trace is None:
        yield Prose(("The run has no reading.",))
        return
    yield course_chart(record.trace, record.assessment)
    yield Prose(("Each step is another code; the events say which, and when.",))


def _against(left: CodeLeft, limit_ppm: float) -> str:
    if abs(left.offset_ppm) + left.u_ppm <= limit_ppm:
        return "within the tolerance of"
    if abs(left.offset_ppm) - left.u_ppm > limit_ppm:
        return "beyond the tolerance of"
    return "too near to tell: tolerance"


def _number(text: str) -> float:
    return float(text.replace(",", ""))
