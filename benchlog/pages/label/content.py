"""What stands on a label: device, verdict, figures, date, and a code of the run's UUID.

The code is a QR code (ISO/IEC 18004). It holds the UUID as a URN (RFC 9562, section 4),
or an address that a pattern makes of it.
"""

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchlog.errors import MissingExtraError, UsageError
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.units import format_ppm, format_u_ppm, iso_utc, printable

if TYPE_CHECKING:
    from collections.abc import Sequence

UID_FIELD: Final = "{run_uid}"
LONGEST_PATTERN: Final = 200  # our rule: what the largest code on a label holds
MOST_VERSION: Final = 10
"""Our rule: 57 modules and the quiet zone on 24 mm are 0.37 mm each, four dots of a
label printer of 300 dpi and more."""
_PATTERN: Final = re.compile(r"https?://[!-~]+", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """The texts of a label, and the modules of its code, dark is true, row by row."""

    device: str
    verdict: str
    figures: str
    part: str
    made: str
    uid: str
    simulated: bool
    coded: str
    modules: "tuple[tuple[bool, ...], ...]"

    @property
    def told(self) -> str:
        """All of it in words, for who cannot see the picture."""
        texts = (self.device, self.verdict, self.figures, self.part, self.made)
        also = ("simulated data",) if self.simulated else ()
        return "; ".join((*texts, *also, f"code: {self.coded}"))


def label_of(
    evaluation: Evaluation, made_utc_ns: int | None, pattern: str | None
) -> Label:
    """Return the label of a run that has ended.

    Raises UsageError for a run without a verdict on a device, and for a pattern that
    makes no address; MissingExtraError where the encoder is not installed.
    """
    run, a = evaluation.run, evaluation.assessment
    if evaluation.checked_instrument:
        raise UsageError(f"run {run.id} checks a time base; a label is of a device")
    if evaluation.state == "running":
        raise UsageError(f"run {run.id} goes on; a label is of a run that has ended")
    coded = coded_text(run.uid, pattern)
    moment = (iso_utc(made_utc_ns) or "date unknown")[:10]
    figures = f"{format_ppm(a.offset_ppm, a.u_ppm)} ± {format_u_ppm(a.u_ppm)} ppm"
    return Label(
        device=printable(run.device),
        verdict=_verdict(evaluation),
        figures="no offset known" if a.offset_ppm is None else figures,
        part=printable(run.part.id),
        made=f"{moment}  run {run.id}",
        uid=run.uid,
        simulated=evaluation.simulated,
        coded=coded,
        modules=_modules(coded),
    )


def _verdict(evaluation: Evaluation) -> str:
    if evaluation.why_not_counted:
        return "DOES NOT COUNT"
    word = evaluation.decision
    said = f"{symbol_of(word)} {word.upper()}"
    return f"{said}, damaged" if evaluation.run.damaged else said


def coded_text(uid: str, pattern: str | None) -> str:
    """Return what the code of a run holds.

    A URN is in capitals: the code is smaller then, and means the same (RFC 8141).
    """
    if pattern is None:
        return f"urn:uuid:{uid}".upper()
    if pattern.count(UID_FIELD) != 1 or not _PATTERN.fullmatch(pattern):
        raise UsageError(
            f"{printable(pattern)!r} makes no address of a run; begin it with https:// "
            f"or http://, write {UID_FIELD} once where the UUID belongs, and no blanks"
        )
    if len(pattern) > LONGEST_PATTERN:
        raise UsageError(f"the address has more than {LONGEST_PATTERN} characters")
    return pattern.replace(UID_FIELD, uid)


def _modules(text: str) -> tuple[tuple[bool, ...], ...]:
    try:
        import segno  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise MissingExtraError("a label's code needs segno", "labels") from error
    try:
        # M: 15 % of the code may be scratched (ISO/IEC 18004); more where it is free
        code = segno.make_qr(text, error="m", boost_error=True)
    except segno.DataOverflowError as error:
        raise UsageError("the address is too long for a code") from error
    if int(code.version) > MOST_VERSION:
        raise UsageError(
            f"the address makes a code of version {code.version}, which a scanner "
            f"cannot read on a small label; {MOST_VERSION} is the most: shorten it"
        )
    rows: Sequence[bytearray] = code.matrix
    return tuple(tuple(bool(one) for one in row) for row in rows)
