"""`benchlog report`: a page that can be read, printed and sent on."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.options import is_typed
from benchlog.cli.printing import say
from benchlog.cli.typed_values import CatalogueName, RunOrDevice, Text
from benchlog.errors import UsageError
from benchlog.units import printable

if TYPE_CHECKING:
    from benchlog.pages.content import Page
    from benchlog.store.reader import Reader

EXAMPLES = (
    "benchlog report 12 --out KX-0412.html",
    "benchlog report KX-0412 --out KX-0412.html",
    "benchlog report 12 --out KX-0412.pdf --paper Letter",
    "benchlog report 12 19 27 --out three-runs.html",
    "benchlog report --lot 2026-071 --out lot.pdf",
    "benchlog report --refcheck 3 --out check.html",
    "benchlog report 12 --rack --out rack.html",
    "benchlog report 12 --order PO-8812 --logo logo.png --out KX-0412.pdf",
    "benchlog report 12 --label --out KX-0412.svg",
    "benchlog report 12 --label --out label.pdf \\",
    "    --label-url 'https://records.example/run/{run_uid}'",
)


@make_command("report", examples=EXAMPLES, figures=False)
@click.argument("run", type=RunOrDevice(), nargs=-1, metavar="[RUN|DEVICE]...")
@click.option("--lot", type=Text(), help="A page of this lot.")
@click.option("--part", type=CatalogueName("parts"), help="The part of that lot.")
@click.option("--refcheck", type=click.IntRange(1), help="A page of this check.")
@click.option(
    "--rack", is_flag=True, help="A page of the whole rack that RUN was qualified in."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="The page to write: .html or .pdf; a label: .svg or .pdf.",
)
@click.option(
    "--paper",
    type=click.Choice(("A4", "Letter"), case_sensitive=False),
    default="A4",
    show_default=True,
    help="Of a PDF; a browser prints HTML on either.",
)
@click.option("--order", type=Text(), help="The customer's order number, for the head.")
@click.option(
    "--logo",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    metavar="FILE",
    help="A picture for the head: PNG or SVG, at most 512 KB.",
)
@click.option(
    "--label", is_flag=True, help="A label of 60 x 30 mm with a code of the run."
)
@click.option(
    "--label-url",
    type=Text(),
    metavar="URL",
    envvar="BENCHLOG_LABEL_URL",
    help="With --label: what the code holds, {run_uid} for the run's UUID [the UUID as "
    "a URN].",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    run: tuple[int | str, ...],
    out: Path,
    paper: str,
    overwrite: bool,
    db: Path | None,
    **wish: Any,
) -> None:
    """Write a page of RUN (several, or the latest), of a lot, a rack or a check.

    One file that needs no network: who measured what with which instruments, the
    verdict with its uncertainty budget, charts, events, method and sources. With
    --label, a small label of one run instead: device, verdict, date, and a QR code that
    `show` and `inspect` take in the place of an id.
    """
    if not wish["label"] and is_typed("label_url"):
        raise UsageError("--label-url is what a label's code holds: add --label")
    if wish["label"]:
        _write_label(run, out, wish, overwrite=overwrite, db=db)
        return
    from benchlog.pages.logo import read_logo
    from benchlog.pages.page_builder import check_target, write_page

    check_target(out, overwrite=overwrite)
    logo = None if wish["logo"] is None else read_logo(wish["logo"])
    with reading(db) as reader:
        page = _page(reader, run, wish)
    page = replace(page, order=printable(wish["order"] or ""), logo=logo)
    write_page(page, out, paper, overwrite=overwrite)
    say(f"{page.title}: written to {out}")


def _write_label(
    named: tuple[int | str, ...],
    out: Path,
    wish: dict[str, Any],
    *,
    overwrite: bool,
    db: Path | None,
) -> None:
    """Write the label of one run. Raises UsageError for anything but one."""
    from benchlog.cli.run_result import evaluated
    from benchlog.pages.label.content import label_of
    from benchlog.pages.label.drawing import check_label_target, write_label

    of_others = [wish[name] for name in ("lot", "refcheck", "order", "logo")]
    is_other = wish["rack"] or any(one is not None for one in of_others)
    if len(named) > 1 or is_other:
        raise UsageError("a label is of one run; it holds no order number and no logo")
    check_label_target(out, overwrite=overwrite)
    with reading(db) as reader:
        chosen = chosen_run(reader, named[0] if named else None)
        evaluation = evaluated(reader, chosen)
        began, ended = reader.made_utc_ns(evaluation.run)
        label = label_of(
            evaluation, began if ended is None else ended, wish["label_url"]
        )
    write_label(label, out, overwrite=overwrite)
    say(f"label of {label.device}: written to {out}; its code: {label.coded}")


def _page(
    reader: "Reader", named: tuple[int | str, ...], wish: dict[str, Any]
) -> "Page":
    from benchlog.clock import host_clock
    from benchlog.pages.page_builder import check_page, lot_page, rack_page, run_page

    asked = (
        bool(named) or wish["rack"],
        wish["lot"] is not None,
        wish["refcheck"] is not None,
    )
    if sum(asked) > 1:
        raise UsageError("name runs, or --lot, or --refcheck: a page is of one of them")
    if wish["lot"] is not None:
        return lot_page(reader, wish["lot"], wish["part"], host_clock())
    if wish["refcheck"] is not None:
        return check_page(reader, wish["refcheck"], host_clock())
    runs = [chosen_run(reader, one) for one in named or (None,)]
    if wish["rack"]:
        if len(runs) > 1:
            raise UsageError("a page of a rack is of one: name any one of its runs")
        return rack_page(reader, runs[0], host_clock())
    return run_page(reader, runs, host_clock())
