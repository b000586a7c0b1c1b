"""`benchlog defaults`: the bench and the part that are taken where none is named."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import pairs, print_json, say
from benchlog.cli.typed_values import CatalogueName
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.catalogue import Defaults

EXAMPLES = (
    "benchlog defaults --bench corner-bench --part quartz-16mhz-30ppm",
    "benchlog defaults",
    "benchlog defaults --clear",
)


@make_command("defaults", examples=EXAMPLES)
@click.option("--bench", type=CatalogueName("benches"), help="Use it from now on.")
@click.option("--part", type=CatalogueName("parts"), help="Use it from now on.")
@click.option("--clear", is_flag=True, help="Forget both.")
def command(
    bench: str | None, part: str | None, clear: bool, db: Path | None, as_json: bool
) -> None:
    """Keep a bench and a part; without an option show what is kept.

    Commands that measure take them where --bench or --part is left out, and tell so in
    a line: measure, soak, inspect (a new lot), trim, refcheck, check-bench. An option
    always wins. Commands that judge old runs never look at them.
    """
    del db
    from benchlog.catalogue import defaults_file, read_defaults

    if clear:
        if bench is not None or part is not None:
            raise UsageError("--clear forgets both; leave --bench and --part out")
        defaults_file().unlink(missing_ok=True)
    if bench is not None or part is not None:
        say(f"written to {_keep(bench, part)}")
    kept = read_defaults()
    if as_json:
        print_json({**_document(kept), "file": str(defaults_file())}, "defaults")
    else:
        click.echo(_text(kept))


def _keep(bench: str | None, part: str | None) -> Path:
    """Keep what was named; what was not stays. Raises what keeps it from loading."""
    from benchlog.catalogue import Defaults, load_bench, load_part, read_defaults
    from benchlog.catalogue import write_defaults as write

    if bench is not None:
        load_bench(bench)
    if part is not None:
        load_part(part)
    before = read_defaults()
    return write(
        Defaults(
            bench=before.bench if bench is None else _from_anywhere(bench),
            part=before.part if part is None else _from_anywhere(part),
        )
    )


def _from_anywhere(name_or_path: str) -> str:
    """Return a path as it holds in any folder; a name stays a name."""
    from benchlog.catalogue.places import is_path

    return str(Path(name_or_path).absolute()) if is_path(name_or_path) else name_or_path


def _document(kept: "Defaults") -> dict[str, str | None]:
    return {"bench": kept.bench, "part": kept.part}


def _text(kept: "Defaults") -> str:
    named = {name: value for name, value in _document(kept).items() if value}
    if not named:
        return "no defaults; set some with `benchlog defaults --bench B --part P`"
    return pairs(named.items())
