"""`benchlog lots`: the lots of a database, or of many benches together."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading, say_left_out
from benchlog.cli.options import dataset_option
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.typed_values import CatalogueName, Text
from benchlog.units import signed_digits, three_digits

if TYPE_CHECKING:
    from benchlog.verdict.lot.lot_report import LotReport

    Found = list[tuple[LotReport, tuple[str, ...]]]

EXAMPLES = (
    "benchlog lots",
    "benchlog lots --dataset factory/ --supplier 'Invented Ltd'",
    "benchlog lots --dataset factory/ --json",
)


@make_command("lots", examples=EXAMPLES)
@dataset_option
@click.option("--part", type=CatalogueName("parts"), help="Only lots of this part.")
@click.option("--supplier", type=Text(), help="Only lots from this supplier.")
def command(
    dataset: str | Path | None,
    part: str | None,
    supplier: str | None,
    db: Path | None,
    as_json: bool,
) -> None:
    """List lots with their decision, in the order in which they were opened."""
    found = _found(dataset, part, supplier, db)
    if as_json:
        print_json([document(report, benches) for report, benches in found])
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
