"""`benchlog results`: one row a device, its newest run that counts; also as CSV."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading_runs
from benchlog.cli.options import check_one_form
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.tasks.finding_runs import (
    NOT_COUNTED,
    ListedRun,
    finding_options,
    found,
    short,
    why_none,
)
from benchlog.errors import UsageError
from benchlog.model import Purpose
from benchlog.units import as_stated, counted, format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.store.run_reader import RunReader

EXAMPLES = (
    "benchlog results --lot L-2207",
    "benchlog results --csv > results.csv",
    "benchlog results --since 7d --out results.csv",
    "benchlog results --json",
)
COLUMNS: Final = (
    "run", "device", "part", "lot", "position", "bench", "purpose", "operator",
    "started", "nominal_hz", "readings", "offset_ppm", "u_ppm", "limit_ppm",
    "conformance", "verdict", "damaged", "simulated", "judged_ppm", "judged_u_ppm",
)  # fmt: skip
"""Those of the view `results`, as far as a person wants them, and the offset and U that
the limit was held against: at the reference temperature where readings were brought
there, else as measured."""
_JUDGED_AT: Final = "reference_c"


@make_command("results", examples=EXAMPLES)
@finding_options
@click.option("--csv", "as_csv", is_flag=True, help="Comma-separated values.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write comma-separated values to a new file.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(db: Path | None, as_json: bool, **wish: Any) -> None:
    """List each device with its newest run that counts: offset, U, limit, verdict.

    Where readings were brought to the reference temperature, offset and U there are
    beside the verdict; in CSV and JSON, judged_ppm and judged_u_ppm are always those
    that the limit was held against. Trims and reference checks are left out: `runs`
    lists them. The view `results` of the database has the same rows, for any SQLite
    tool. Of a run that was judged as another part, part is that of the verdict. In CSV,
    what a spreadsheet would execute or split is percent-encoded, as `benchlog export`
    does.
    """
    from benchlog.store.whole_files import check_place

    check_one_form(as_json=as_json, as_csv=wish["as_csv"] or wish["out"] is not None)
    if wish["out"] is not None:
        check_place(wish["out"], overwrite=wish["overwrite"])
    with reading_runs(db) as reader:
        rows = results_of(reader, wish)
        why_not = "" if rows else why_none(reader, wish)
    if wish["out"] is not None:
        _write(rows, wish["out"], overwrite=wish["overwrite"])
    elif wish["as_csv"]:
        click.echo(csv_text(rows), nl=False)
    elif as_json:
        print_json([{name: row[name] for name in COLUMNS} for row in rows], "result")
    elif rows:
        click.echo(_table(rows))
    else:
        none = "no result matches; `benchlog runs` lists what there is, and why not"
        say(why_not or none)


def results_of(reader: "RunReader", wish: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of the view `results` that the wish fits, the newest first.

    Raises UsageError for `--verdict does-not-count`: what does not count has no row.
    """
    if wish["verdict"] == NOT_COUNTED:
        raise UsageError(
            "results has a device's newest run that counts, so none that does not: "
            f"benchlog runs --verdict {NOT_COUNTED} lists those, and why"
        )
    kept = {row["run"]: row for row in reader.results()}
    rows = []
    for one in found(reader, wish):
        if one.run.id not in kept:
            continue
        try:
            rows.append(_with_todays_figures(kept[one.run.id], one))
        except ValueError as error:
            reader.left_out[f"run {one.run.id}"] = str(error)
    return rows


_NUMBERS: Final = {
    "readings": int,
    **dict.fromkeys(("offset_ppm", "u_ppm", "limit_ppm", "conformance"), float),
    **dict.fromkeys(("judged_ppm", "judged_u_ppm", _JUDGED_AT), float),
}


def _with_todays_figures(row: dict[str, Any], listed: ListedRun) -> dict[str, Any]:
    """Return the columns of a row; a rack's and one without a verdict: today's.

    Raises ValueError for a row with figures that are none.
    """
    from benchlog.store.snapshot_types import check_columns

    check_columns(row, _NUMBERS)
    run = listed.run
    row = {**row, "started": iso_utc(run.started_utc_ns)}
    row["part"] = run.part.id  # that the verdict is on, as `runs` has it
    is_rack = run.made_for is Purpose.QUALIFY
    if is_rack:  # kept is the mean of readings at many places, no figure of a device
        row |= {"conformance": None, _JUDGED_AT: None}
    if is_rack or row["verdict"] is None:
        row |= {"offset_ppm": run.offset_ppm, "u_ppm": run.u_ppm}
        row |= {"judged_ppm": run.offset_ppm, "judged_u_ppm": run.u_ppm}
        row |= {"verdict": listed.verdict, "readings": run.told_readings}
    row["damaged"], row["simulated"] = bool(row["damaged"]), bool(row["simulated"])
    row["operator"] = row["operator"] or None
    return {name: row[name] for name in (*COLUMNS, _JUDGED_AT)}


def csv_text(rows: list[dict[str, Any]]) -> str:
    """Return rows as comma-separated values that no spreadsheet executes."""
    from benchlog.exchange.spreadsheet_cells import table_text

    return table_text(COLUMNS, rows)


def _write(rows: list[dict[str, Any]], path: Path, *, overwrite: bool) -> None:
    from benchlog.store.whole_files import finished

    with finished(path, overwrite=overwrite) as part:
        part.write_text(csv_text(rows), encoding="utf-8")
    say(f"{counted(len(rows), 'device')} written to {path}")


def _table(rows: list[dict[str, Any]]) -> str:
    headers = (
        "device", "part", "lot", "measured (UTC)", "run", "offset ppm", "U ppm",
        "limit ppm", "verdict",
    )  # fmt: skip
    return table(headers, [_row(row) for row in rows], "llllrrrr")


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    limit = row["limit_ppm"]
    return (
        short(row["device"]),
        row["part"],
        short(row["lot"] or "-"),
        (row["started"] or "-")[:16].replace("T", " "),
        str(row["run"]),
        format_ppm(row["offset_ppm"], row["u_ppm"]),
        format_u_ppm(row["u_ppm"]),
        "-" if limit is None else as_stated(limit),
        (row["verdict"] or "-")
        + (", damaged" if row["damaged"] else "")
        + _judged_elsewhere(row)
        + (" (simulated)" if row["simulated"] else ""),
    )


def _judged_elsewhere(row: dict[str, Any]) -> str:
    """Say what was judged where that is not what was measured."""
    at_c = row[_JUDGED_AT]
    if at_c is None or row["judged_ppm"] is None:
        return ""
    said = format_ppm(row["judged_ppm"], row["judged_u_ppm"])
    u = format_u_ppm(row["judged_u_ppm"])
    return f", at {as_stated(at_c)} C: {said} +- {u} ppm"
