"""What a source is good for, as a person reads it."""

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from benchlog.cli.printing import table
from benchlog.evaluation.fitness_wording import (
    fitness_answers,
    lot_count_text,
    margin_rule,
    oversampling_notes,
)
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Part
from benchlog.units import printable, three_digits
from benchlog.verdict.fitness.fitness import Divided, Fitness
from benchlog.verdict.fitness.lot_fitness import LotFitness

FitnessRow = tuple[Fitness, Part, Evaluation | None]
"""What came out for one use; of a run, or of a part by its promises."""
_WIDTH: Final = 80  # definition: a terminal's usual width
_FIGURES: Final = ("tolerance ppm", "worst ppm", "margin", "verdict", "mostly")


def text_of(rows: Sequence[FitnessRow]) -> str:
    """Return the results as a person reads them: of the run, then of the parts.

    Of a run the answer comes first, then the table that it is made of.
    """
    of_run = [found for found, _, evaluation in rows if evaluation is not None]
    of_parts = [(found, part) for found, part, evaluation in rows if evaluation is None]
    blocks = []
    if of_run:
        cells = [(found.use.id, *_figures(found)) for found in of_run]
        blocks += [
            "\n".join(map(_wrapped, fitness_answers(of_run))),
            table(("use", *_FIGURES), cells, "lrrr"),
            *_better(of_run),
            *_rules(of_run),
        ]
    for use in dict.fromkeys(found.use.id for found, _ in of_parts):
        of_use = [(found, part) for found, part in of_parts if found.use.id == use]
        head = of_use[0][0].use
        blocks.append(f"{use}: {head.title} ({head.source}; {head.status})")
        cells = [(p.id, p.kind.value, *_figures(found)) for found, p in of_use]
        blocks.append(table(("part", "kind", *_FIGURES), cells, "llrrr"))
    return "\n\n".join(blocks)


def lot_text_of(found: Sequence[LotFitness], lot: str) -> str:
    """Return what all devices of a lot are good for: of the worst, and how many fit."""
    worst = [one.worst for one in found]
    cells = [
        (
            one.worst.use.id,
            *_figures(one.worst)[:4],
            lot_count_text(one),
            printable(one.device),
        )
        for one in found
    ]
    source = f"every device of lot {lot} ({found[0].devices})"
    answers = fitness_answers(worst, source)
    head = ("use", *_FIGURES[:4], "devices that fit", "worst device")
    return "\n\n".join(
        (
            "\n".join(map(_wrapped, answers)),
            table(head, cells, "lrrr"),
            *_rules(worst),
        )
    )


def _rules(found: Sequence[Fitness]) -> Iterator[str]:
    """Yield what was chosen and by which rule it was judged."""
    notes = "\n".join(map(_wrapped, oversampling_notes(found)))
    if notes:
        yield notes
    yield _wrapped(margin_rule(found))


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def _figures(found: Fitness) -> tuple[str, ...]:
    verdict = found.verdict.value
    return (
        three_digits(found.tolerance_ppm),
        three_digits(found.worst_ppm),
        _margin(found.margin),
        f"{symbol_of(verdict)} {verdict}",
        found.dominant,
    )


def _margin(margin: float) -> str:
    if margin < -9.99:
        return "< -999 %"
    return f"{100 * margin:.0f} %"


def _better(several: Sequence[Fitness]) -> list[str]:
    """Return what another divisor than the nominal frequency's would give."""
    lines = [
        f"{found.use.id}: divisor {better.divisor}{_samples(better, chosen)}, chosen "
        "from the measured frequency, would be "
        f"{three_digits(better.worst_ppm)} ppm at worst "
        f"({better.verdict.value}) in place of {chosen.divisor}"
        for found in several
        if (better := found.retuned) is not None
        and (chosen := found.divided) is not None
        and (better.divisor, better.oversampling)
        != (chosen.divisor, chosen.oversampling)
    ]
    return ["\n".join(lines)] if lines else []


def _samples(better: Divided, chosen: Divided) -> str:
    if better.oversampling == chosen.oversampling:
        return ""
    return f" at {better.oversampling} samples a bit"
