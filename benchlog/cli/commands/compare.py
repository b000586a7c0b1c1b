"""`benchlog compare`: runs side by side, and whether they really differ."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
    table,
)
from benchlog.cli.typed_values import RunOrDevice
from benchlog.units import format_ppm, format_u_ppm, printable, three_digits

if TYPE_CHECKING:
    from benchlog.evaluation.comparison import ComparedRun, RunComparison

EXAMPLES = (
    "benchlog compare 12 19",
    "benchlog compare KX-0412 KX-0413",
    "benchlog compare 12 19 27 --json",
    "benchlog compare 12 19 --out two-crystals.html",
)


@make_command("compare", examples=EXAMPLES)
@click.argument(
    "run", type=RunOrDevice(), nargs=-1, required=True, metavar="RUN|DEVICE..."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a page, too: .html or .pdf.",
)
@click.option(
    "--paper",
    type=click.Choice(("A4", "Letter"), case_sensitive=False),
    default="A4",
    show_default=True,
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    run: tuple[int | str, ...], db: Path | None, as_json: bool, **wish: Any
) -> None:
    """Compare RUNs with the first of them: offset, distance from nominal, scatter.

    Each difference comes with its 95 % interval. What runs share does not count: the
    time base of one counter, and what moved both while they were measured together.
    """
    from benchlog.evaluation.comparison import comparison
    from benchlog.pages.page_builder import check_target

    if wish["out"] is not None:
        check_target(wish["out"], overwrite=wish["overwrite"])
    with reading(db) as reader:
        found = comparison(reader, [chosen_run(reader, one) for one in run])
    if wish["out"] is not None:
        _write(found, wish)
    if as_json:
        from benchlog.evaluation.study_documents import comparison_document

        print_json(comparison_document(found), "compare")
    else:
        print_text(text_of(found))


def _write(found: "RunComparison", wish: dict[str, Any]) -> None:
    from benchlog.clock import host_clock
    from benchlog.pages.page_builder import compare_page, write_page

    page = compare_page(found, host_clock())
    write_page(page, wish["out"], wish["paper"], overwrite=wish["overwrite"])
    say(f"{page.title}: written to {wish['out']}")


def text_of(found: "RunComparison") -> str:
    """Return runs, differences and a chart as a person reads them."""
    from benchlog.verdict.run.comparison import (
        delta_text,
        in_words,
        notes_together,
        ratio_text,
    )

    rows = [
        (
            f"{one.b.run} - {one.a.run}",
            delta_text(one.delta_ppm, one.budget),
            delta_text(one.farther_ppm, one.farther_budget),
            ratio_text(one),
        )
        for one in found.differences
    ]
    headers = ("runs", "offset", "farther from nominal", "scatter, ratio (95 %)")
    said = [
        f"run {one.b.run} against run {one.a.run}: " + "; ".join(in_words(one))
        for one in found.differences
    ]
    notes = [f"- {printable(note)}" for note in notes_together(found.differences)]
    blocks = [
        _runs(found),
        table(headers, rows, "lrrr"),
        "\n".join(said),
        "\n".join(notes),
        _chart(found),
    ]
    return "\n\n".join(block for block in blocks if block)


def _runs(found: "RunComparison") -> str:
    headers = ("run", "device", "part", "offset ppm", "U ppm", "jitter ppm", "readings")
    rows = [_run(one) for one in found.runs]
    return table((*headers, "verdict"), rows, "rllrrrr")


def _run(one: "ComparedRun") -> tuple[str, ...]:
    assessment = one.evaluation.assessment
    rms = assessment.stats.jitter_ppm_rms
    return (
        str(one.run.id),
        one.run.device,
        one.run.part.id,
        format_ppm(assessment.offset_ppm, assessment.u_ppm),
        format_u_ppm(assessment.u_ppm),
        "-" if rms is None else three_digits(rms),
        f"{assessment.stats.n:,}",
        one.evaluation.not_counted_text or one.evaluation.decision.value,
    )


def _chart(found: "RunComparison") -> str:
    from benchlog.plotting.printed_chart import ChartShape, text_chart

    layers = [
        (one.trace.t_s, one.trace.mean_ppm)
        for one in found.runs
        if one.trace is not None
    ]
    if not layers:
        return ""
    return text_chart(layers, ChartShape(x_unit="s", y_unit="offset, ppm"))
