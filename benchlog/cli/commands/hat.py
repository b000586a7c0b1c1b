"""`benchlog hat`: the own stability of devices measured together."""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
    table,
)
from benchlog.cli.tasks.studying import check_plot, plot_option
from benchlog.cli.typed_values import Durations, RunOrDevice

if TYPE_CHECKING:
    from benchlog.evaluation.stability.hat_study import HatStudy

EXAMPLES: Final = (
    "benchlog hat 4 5 6",
    "benchlog hat 4 5 6 7 --kind mdev --json",
    "benchlog hat 4 5 6 --plot three.svg --out three.html",
)
_WIDTH: Final = 80
_KINDS: Final = ("adev", "mdev", "tdev", "hdev")


@make_command("hat", examples=EXAMPLES)
@click.argument(
    "run", type=RunOrDevice(), nargs=-1, required=True, metavar="RUN|DEVICE..."
)
@click.option("--kind", type=click.Choice(_KINDS), default="adev", show_default=True)
@click.option("--tau", "taus_s", type=Durations(), help="These averaging times.")
@plot_option
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
@click.option("--overwrite", is_flag=True, help="Replace a page that exists.")
def command(
    run: tuple[int | str, ...], db: Path | None, as_json: bool, **wish: Any
) -> None:
    """Tell each device's own stability, from three RUNs or more made together.

    A three-cornered hat: the runs are paired reading by reading, what they share (the
    time base, the room) falls out of their differences, and of three differences each
    device's part is worked out. No better reference is needed. The devices have to be
    independent of each other and of much the same quality: a device that is far quieter
    than the others is not resolved.
    """
    from benchlog.analysis.stability.deviations import DeviationRequest
    from benchlog.evaluation.stability.hat_study import hat_study
    from benchlog.pages.page_builder import check_target

    check_plot(wish["plot"])
    if wish["out"] is not None:
        check_target(wish["out"], overwrite=wish["overwrite"])
    request = DeviationRequest(taus_s=tuple(wish["taus_s"] or ()))
    with reading(db) as reader:
        runs = [chosen_run(reader, named) for named in run]
        found = hat_study(reader, runs, wish["kind"], request)
    if wish["plot"]:
        from benchlog.evaluation.stability.hat_wording import device_names
        from benchlog.plotting.hat_picture import plot_hat

        plot_hat(found.hat, device_names(found), wish["plot"])
    if wish["out"] is not None:
        _write(found, wish)
    if as_json:
        from benchlog.evaluation.study_documents import hat_document

        print_json(hat_document(found), "hat")
    else:
        print_text(text_of(found))


def _write(found: "HatStudy", wish: dict[str, Any]) -> None:
    from benchlog.clock import host_clock
    from benchlog.pages.page_builder import hat_page, write_page

    page = hat_page(found, host_clock())
    write_page(page, wish["out"], wish["paper"], overwrite=wish["overwrite"])
    say(f"{page.title}: written to {wish['out']}")


def text_of(found: "HatStudy") -> str:
    """Return answers, table, chart and notes as a person reads them."""
    from benchlog.evaluation.stability.hat_wording import (
        hat_answers,
        hat_rule,
        hat_table,
    )

    notes = [f"- {note}" for note in found.notes]
    if found.simulated:
        notes.insert(0, "- simulated: nothing here was measured on real devices")
    blocks = [
        "\n".join(map(_wrapped, hat_answers(found))),
        table(*hat_table(found)),
        _chart(found),
        "\n".join(map(_wrapped, notes)),
        _wrapped(hat_rule(found)),
    ]
    return "\n\n".join(block for block in blocks if block)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def _chart(found: "HatStudy") -> str:
    """Draw each device by its letter; small where it is only known to be below."""
    from benchlog.evaluation.stability.hat_wording import letter
    from benchlog.plotting.printed_chart import ChartShape, lettered_chart

    marks = []
    for k in range(len(found.runs)):
        for row in found.hat.drawn_rows:
            own, mark = row.own[k], letter(k)[0]
            if own.value is None:
                marks.append((row.tau_s, own.high, mark.lower()))
            else:
                marks.append((row.tau_s, own.value, mark))
    small = any(mark.islower() for *_, mark in marks)
    said = "; small letters: below this" if small else ""
    unit = f"{found.hat.kind} of its own by device{said}"
    return lettered_chart(marks, ChartShape(log=True, x_unit="s", y_unit=unit))
