"""What was worked out of runs, as plain values for JSON: differences, fitness for uses.

Made last, from the objects; no text and no exit code is made from a document.
"""

from itertools import combinations
from typing import Any

from benchlog.analysis.stability.cornered_hat import HatRow
from benchlog.evaluation.comparison import RunComparison
from benchlog.evaluation.document import figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.stability.hat_study import HatStudy
from benchlog.evaluation.stability.hat_wording import hat_answers
from benchlog.model import Lot, Part
from benchlog.verdict.fitness.fitness import Divided, Fitness
from benchlog.verdict.fitness.lot_fitness import LotFitness
from benchlog.verdict.run.comparison import Difference, in_words


def comparison_document(found: RunComparison) -> dict[str, Any]:
    """Return the figures of each run and each difference."""
    return {
        "runs": [figures(one.evaluation) for one in found.runs],
        "differences": [difference_document(one) for one in found.differences],
    }


def difference_document(found: Difference) -> dict[str, Any]:
    """Return one difference; unknown is None."""
    ratio = found.ratio
    return {
        "run": found.b.run,
        "against": found.a.run,
        "delta_ppm": found.delta_ppm,
        "u_ppm": None if found.budget is None else found.budget.expanded_ppm,
        "offset": found.offset.value,
        "farther_ppm": found.farther_ppm,
        "farther_u_ppm": None
        if found.farther_budget is None
        else found.farther_budget.expanded_ppm,
        "distance": found.distance.value,
        "jitter_ratio": None
        if ratio is None
        else {"value": ratio.value, "low": ratio.low, "high": ratio.high},
        "scatter": found.scatter.value,
        "slow": list(found.slow),
        "paired": found.paired,
        "notes": list(found.notes),
        "text": list(in_words(found)),
    }


def hat_document(study: HatStudy) -> dict[str, Any]:
    """Return each device's own deviation; `value` None where it is not resolved."""
    hat = study.hat
    return {
        "kind": hat.kind,
        "tau0_s": hat.tau0_s,
        "devices": [
            {"run": run.id, "device": run.device, "position": run.position}
            for run in study.runs
        ],
        "moments": study.moments,
        "share": study.share,
        "skew_s": study.skew_s,
        "rows": [_hat_row(study, row) for row in hat.rows],
        "notes": list(study.notes),
        "text": list(hat_answers(study)),
        "simulated": study.simulated,
    }


def _hat_row(study: HatStudy, row: HatRow) -> dict[str, Any]:
    return {
        "tau_s": row.tau_s,
        "m": row.m,
        "n": row.n,
        "edf": row.edf,
        "own": [
            {
                "run": run.id,
                "value": own.value,
                "low": own.low,
                "high": own.high,
                "resolved": own.resolved,
                "variance": own.variance,
            }
            for run, own in zip(study.runs, row.own, strict=True)
        ],
        "pairs": [
            {"runs": [a.id, b.id], "value": value}
            for (a, b), value in zip(
                combinations(study.runs, 2), row.pairs, strict=True
            )
        ],
        "covariance": row.covariance.tolist(),
    }


def fitness_document(
    found: Fitness, part: Part, evaluation: Evaluation | None = None
) -> dict[str, Any]:
    """Return what a source is good for in one use.

    The source is the run of `evaluation`; without one, `part` by its promises.
    """
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
        "link_ppm": found.link_ppm,
        "removed": list(found.removed),
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
        "range_c": list(found.range_c),
        **_source(part, evaluation),
    }


def lot_fitness_document(found: LotFitness, lot: Lot, part: Part) -> dict[str, Any]:
    """Return one use over all devices of a lot: as of its worst device, and counts."""
    return fitness_document(found.worst, part) | {
        "lot": lot.lot,
        "device": found.device,
        "run": found.run,
        "devices": found.devices,
        "fits": found.fits,
        "marginal": found.marginal,
        "unfit": found.unfit,
    }


def _source(part: Part, evaluation: Evaluation | None) -> dict[str, Any]:
    if evaluation is None:
        return {"run": None, "device": None, "part": part.id, "kind": part.kind.value}
    run = evaluation.run
    return {
        "run": run.id,
        "device": run.device,
        "part": part.id,
        "kind": part.kind.value,
        "simulated": evaluation.simulated,
        "void": run.void,
        "counts": not evaluation.why_not_counted,
        "does_not_count": evaluation.why_not_counted or None,
        "timebase_doubt": None if run.timebase is None else run.timebase.doubt or None,
    }


def _divisor(divided: Divided | None) -> dict[str, Any] | None:
    if divided is None:
        return None
    return {
        "divisor": divided.divisor,
        "oversampling": divided.oversampling,
        "error_ppm": divided.error_ppm,
        "worst_ppm": divided.worst_ppm,
        "verdict": divided.verdict.value,
    }
