"""`benchlog lots`: the lots of a database, or of many benches together."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading, say_left_out
from benchlog.cli.options import check_one_form, dataset_option
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.typed_values import CatalogueName, Text
from benchlog.units import counted, iso_utc, signed_digits, three_digits

if TYPE_CHECKING:
    from benchlog.verdict.lot.lot_report import LotReport

    Found = list[tuple[LotReport, tuple[str, ...]]]

EXAMPLES = (
    "benchlog lots",
    "benchlog lots --dataset factory/ --supplier 'Invented Ltd'",
    "benchlog lots --dataset factory/ --json",
    "benchlog lots --out lots.csv",
)
CSV_COLUMNS: Final = (
    "lot", "part", "supplier", "order", "opened", "lot_size", "sample_size", "accept",
    "measured", "passed", "failed", "undecided", "remaining", "decision", "simulated",
    "benches",
)  # fmt: skip
"""What a system for incoming goods takes in; quantities are devices."""


@make_command("lots", examples=EXAMPLES)
@dataset_option
@click.option("--part", type=CatalogueName("parts"), help="Only lots of this part.")
@click.option("--supplier", type=Text(), help="Only lots from this supplier.")
@click.option("--csv", "as_csv", is_flag=True, help="Comma-separated values.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write comma-separated values to a new file.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    dataset: str | Path | None,
    part: str | None,
    supplier: str | None,
    db: Path | None,
    as_json: bool,
    **how: Any,
) -> None:
    """List lots with their decision, in the order in which they were opened.

    The comma-separated values have supplier, order number and quantities besides, for
    a system that books incoming goods. What a spreadsheet would execute or split is
    percent-encoded, as `benchlog export` does.
    """
    from benchlog.store.whole_files import check_place

    check_one_form(as_json=as_json, as_csv=how["as_csv"] or how["out"] is not None)
    if how["out"] is not None:
        check_place(how["out"], overwrite=how["overwrite"])
    found = _found(dataset, part, supplier, db)
    if how["out"] is not None:
        _write(found, how["out"], overwrite=how["overwrite"])
    elif how["as_csv"]:
        click.echo(csv_text(found), nl=False)
    elif as_json:
        print_json(
            [document(report, benches) for report, benches in found], "listed-lot"
        )
    elif found:
        click.echo(_table(found))
    else:
        say("no lot matches; `benchlog inspect` opens one")


def _found(
    dataset: str | Path | None, part: str | None, supplier: str | None, db: Path | None
) -> "Found":
    from benchlog.evaluation.lots import lots_with_benches

    if dataset is not None:
        from benchlog.exchange.dataset.lots import lots_of_dataset

        left_out: dict[str, str] = {}
        found = list(lots_of_dataset(dataset, part, supplier, left_out))
        say_left_out(left_out)
        return found
    with reading(db) as reader:
        return list(lots_with_benches(reader, part, supplier))


def document(report: "LotReport", benches: tuple[str, ...]) -> dict[str, Any]:
    """Return a lot as plain values: the keys of `inspect --json`, and its benches."""
    from benchlog.evaluation.lot_document import lot_document

    return {**lot_document(report), "benches": list(benches)}


def csv_text(found: "Found") -> str:
    """Return lots as comma-separated values that no spreadsheet executes."""
    from benchlog.exchange.spreadsheet_cells import table_text

    return table_text(CSV_COLUMNS, [_booked(*one) for one in found])


def _booked(report: "LotReport", benches: tuple[str, ...]) -> dict[str, object]:
    """Return what is booked of a lot; what only a plan decides is None without one."""
    standing, plan, lot = report.standing, report.plan, report.lot
    return {
        "lot": lot.lot,
        "part": report.part.id,
        "supplier": lot.supplier or None,
        "order": lot.order or None,
        "opened": iso_utc(lot.opened_utc_ns) if lot.opened_utc_ns else None,
        "lot_size": plan.lot_size if plan else lot.size,
        "sample_size": plan.sample_size if plan else None,
        "accept": plan.accept if plan else None,
        "measured": standing.passed + standing.failed + standing.undecided,
        "passed": standing.passed,
        "failed": standing.failed,
        "undecided": standing.undecided,
        "remaining": standing.remaining if plan else None,
        "decision": standing.decision.value if plan else None,
        "simulated": any(run.simulated for run in report.runs),
        "benches": " ".join(benches),
    }


def _write(found: "Found", path: Path, *, overwrite: bool) -> None:
    from benchlog.store.whole_files import finished

    with finished(path, overwrite=overwrite) as part:
        part.write_text(csv_text(found), encoding="utf-8")
    say(f"{counted(len(found), 'lot')} written to {path}")


def _table(found: "Found") -> str:
    rows = []
    for report, benches in found:
        standing, able = report.standing, report.figures.capability
        measured = standing.passed + standing.failed + standing.undecided
        rows.append(
            (
                report.lot.lot,
                report.part.id,
                report.lot.supplier or "-",
                "-" if report.plan is None else str(report.plan.lot_size),
                f"{standing.passed}/{measured}",
                str(standing.undecided) if standing.undecided else "-",
                "-" if able is None else signed_digits(able.mean_ppm.value),
                "-" if able is None else three_digits(able.sd_ppm.value),
                "no plan" if report.plan is None else standing.decision.value,
                ", ".join(benches),
            )
        )
    headers = (
        "lot", "part", "supplier", "size", "passed", "undecided", "mean ppm", "sd ppm",
        "decision", "bench",
    )  # fmt: skip
    return table(headers, rows, "lllrrrrr")
