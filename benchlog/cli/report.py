"""`benchlog report`: a page that can be read, printed and sent on."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import say
from benchlog.cli.values import RunId

if TYPE_CHECKING:
    from benchlog.report.pages.content import Page
    from benchlog.store.reader import Reader

EXAMPLES = (
    "benchlog report 12 --out KX-0412.html",
    "benchlog report 12 --out KX-0412.pdf --paper Letter",
    "benchlog report 12 19 27 --out three-runs.html",
)


@make_command("report", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunId(), nargs=-1)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="The page to write: .html or .pdf.",
)
@click.option(
    "--paper",
    type=click.Choice(("A4", "Letter"), case_sensitive=False),
    default="A4",
    show_default=True,
    help="Of a PDF; a browser prints HTML on either.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    run: tuple[int, ...],
    out: Path,
    paper: str,
    overwrite: bool,
    db: Path | None,
    **wish: Any,
) -> None:
    """Write a page of RUN (several, or the latest if left out).

    One file that needs no network: who measured what with which instruments, the
    verdict with its uncertainty budget, charts, events, method and sources.
    """
    from benchlog.report.pages.making import check_target, write_page

    check_target(out, overwrite=overwrite)
    with reading(db) as reader:
        page = _page(reader, run, wish)
    write_page(page, out, paper, overwrite=overwrite)
    say(f"{page.title}: written to {out}")


def _page(reader: "Reader", numbers: tuple[int, ...], wish: dict[str, Any]) -> "Page":
    from benchlog.clock import host_clock
    from benchlog.report.pages.making import run_page

    del wish
    runs = [chosen_run(reader, number) for number in numbers or (None,)]
    return run_page(reader, runs, host_clock())
