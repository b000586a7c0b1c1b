"""What a source is good for as plain values, for JSON and tables."""

from typing import Any

from benchlog.verdict.fitness.fitness import Divided, Fitness


def document_of(found: Fitness) -> dict[str, Any]:
    """Return one result as plain values, with the keys that scripts rely on."""
    use = found.use
    return {
        "use": use.id,
        "tolerance_ppm": found.tolerance_ppm,
        "worst_ppm": found.worst_ppm,
        "margin": found.margin,
        "verdict": found.verdict.value,
        "dominant": found.dominant,
        "title": use.title,
        "source": use.source,
        "status": use.status,
        "text": found.text,
        "other_end_ppm": found.other_end_ppm,
        "terms": [
            {
                "name": term.name,
                "low_ppm": term.low_ppm,
                "high_ppm": term.high_ppm,
                "text": term.text,
            }
            for term in found.terms
        ],
        "divisor": _divisor(found.divided),
        "retuned": _divisor(found.retuned),
    }


def _divisor(divided: Divided | None) -> dict[str, Any] | None:
    if divided is None:
        return None
    return {
        "divisor": divided.divisor,
        "error_ppm": divided.error_ppm,
        "worst_ppm": divided.worst_ppm,
        "verdict": divided.verdict.value,
    }
