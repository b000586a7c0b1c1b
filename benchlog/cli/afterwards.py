"""What was said of a run afterwards: verdicts kept beside each other, amendments."""

from typing import TYPE_CHECKING, Any

from benchlog.cli.printing import table
from benchlog.units import format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader

_AMENDED = {"device": "device id", "void": "void", "restore": "counts again"}


def afterwards_document(reader: "Reader", run: "Run") -> dict[str, Any]:
    """Return the verdicts that are kept and the amendments, the newest last."""
    return {
        "verdicts": [
            {
                "utc": iso_utc(one.at_utc_ns),
                "verdict": one.word,
                "offset_ppm": one.offset_ppm,
                "u_ppm": one.u_ppm,
                "limit_ppm": one.limit_ppm,
                "rule": one.rule,
            }
            for one in reader.verdicts(run.id)
        ],
        "amendments": [
            {
                "utc": iso_utc(one.at_utc_ns),
                "kind": one.kind,
                "old": one.old,
                "new": one.new,
                "reason": one.reason,
                "operator": one.operator or None,
            }
            for one in reader.amendments(run.id)
        ],
    }


def afterwards_text(document: dict[str, Any]) -> str:
    """Return both as tables; a verdict that stands alone was shown already."""
    verdicts, amendments = document["verdicts"], document["amendments"]
    parts = []
    if len(verdicts) > 1:
        headers = ("verdicts kept", "", "offset ppm", "U ppm", "limit ppm", "rule")
        parts.append(table(headers, [_verdict(one) for one in verdicts], "llrrr"))
    if amendments:
        headers = ("said afterwards", "", "was", "is", "reason", "who")
        parts.append(table(headers, [_amendment(one) for one in amendments]))
    return "\n\n".join(parts)


def _verdict(one: dict[str, Any]) -> tuple[str, ...]:
    limit = one["limit_ppm"]
    return (
        _when(one["utc"]),
        one["verdict"],
        format_ppm(one["offset_ppm"], one["u_ppm"]),
        format_u_ppm(one["u_ppm"]),
        "-" if limit is None else f"{limit:,.10g}",
        one["rule"],
    )


def _amendment(one: dict[str, Any]) -> tuple[str, ...]:
    what = _AMENDED.get(one["kind"], one["kind"])
    said = (one["old"], one["new"], one["reason"], one["operator"])
    return (_when(one["utc"]), what, *(text or "-" for text in said))


def _when(utc: str | None) -> str:
    return (utc or "-")[:19].replace("T", " ")
