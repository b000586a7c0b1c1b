"""Making a bench: look, ask, try, write; each step that sends is agreed to first."""

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final

import click

from benchlog.cli.database import database
from benchlog.cli.printing import say
from benchlog.cli.tasks.bench_setup.asking import BenchWish, answers_from
from benchlog.cli.tasks.bench_setup.bench_text import bench_text
from benchlog.cli.tasks.bench_setup.making import (
    checked,
    folder_here,
    folder_of_user,
    name_fault,
    next_commands,
    refuse_taken,
    suggested_folder,
    write,
)
from benchlog.cli.tasks.bench_setup.questions import Questions, say_wrapped
from benchlog.cli.tasks.host.facts import HostFacts, look
from benchlog.cli.tasks.host.findings import lacking_for
from benchlog.cli.tasks.host.port_text import (
    port_table,
    tell_remedy,
    tell_what_is_missing,
)
from benchlog.cli.tasks.host.ports import OWN, Port, asked, found_ports, lan_ports
from benchlog.masking import masked
from benchlog.model import Bench


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How a bench is made: what may be sent, and where its file goes.

    Of `try_it` None means that a person is asked, and nobody is tried without one.
    """

    NAMES: ClassVar = (
        *("ask", "interfaces", "try_it"),
        *("folder", "out", "overwrite", "dry_run"),
    )
    interactive: bool
    ask: bool = False
    interfaces: tuple[str, ...] = ()
    try_it: bool | None = None
    folder: str | None = None
    out: Path | None = None
    overwrite: bool = False
    dry_run: bool = False


def make_bench(wish: BenchWish, how: How, db: Path | None) -> bool:
    """Make a bench file, or print it; return whether a trial failed.

    Raises UsageError for answers that cannot be or are missing, ConfigError when the
    file would have a mistake, BenchlogError when it cannot be written.
    """
    questions = Questions(how.interactive)
    facts = look()
    ports = _found(facts, wish, questions, how)
    name, path, overwrite = _place(wish, questions, how)
    what_next = "again"
    while what_next == "again":
        text = bench_text(answers_from(name, wish, ports, questions))
        bench = checked(text, path)
        if how.dry_run:
            click.echo(text, nl=False)
            return False
        failed = _tried(bench, facts, db, questions, how.try_it)
        what_next = _what_next(questions) if failed else "write"
    if what_next == "leave":
        return True
    write(path, text, overwrite=overwrite)
    say(f"written to {path}")
    if failed:
        say(f"no answer from {', '.join(failed)}: mend the file or the wiring, then")
    say(next_commands(name, path, failed or [], tried=failed is not None))
    return bool(failed)


_CHOICES: Final = {
    "again": "answer the questions again; Enter keeps an answer",
    "write": "write the file all the same",
    "leave": "write nothing",
}


def _what_next(ask: Questions) -> str:
    """Return what happens after somebody did not answer: a word of `_CHOICES`."""
    if not ask.interactive:
        return "write"
    return ask.choice(
        "What now?", "--no-try", given=None, suggestion="again", choices=_CHOICES
    )


def _found(facts: HostFacts, wish: BenchWish, ask: Questions, how: How) -> list[Port]:
    """Look for instruments where that helps; ask each only if that is agreed to."""
    addresses = (wish.counter, wish.ambient, wish.pulse)
    is_known = None not in addresses or not (wish.counter is None or ask.interactive)
    if is_known and not (how.ask or how.interfaces):
        return []
    library = wish.visa_library or OWN
    say("looking for instruments; nothing is sent to them unless you agree")
    asks = how.ask and not how.dry_run
    interfaces = () if how.dry_run else how.interfaces
    ports = found_ports(facts, library, ask=asks) + lan_ports(interfaces)
    _list(ports)
    tell_what_is_missing(facts, ports, ask=asks, lan=bool(interfaces))
    hint = "A question can reset a board or trip a supply. *IDN? is all that is sent."
    question = "Send *IDN? to each of them?"
    given = False if how.dry_run else how.ask or None
    if ports and ask.yes(question, given=given, suggestion=False, hint=hint):
        ports = [asked(port, library, wish.baud or 9600) for port in ports]
        _list(ports)
    return ports


def _list(ports: list[Port]) -> None:
    """Show numbered ports; the numbers can be typed as answers."""
    if not ports:
        say("found nothing that could be an instrument")
        return
    for line in port_table(ports, numbered=True).splitlines():
        say(line)


def _place(wish: BenchWish, ask: Questions, how: How) -> tuple[str, Path, bool]:
    """Return the bench's name, its file, and whether one there may be replaced.

    Raises UsageError when the place is taken.
    """
    name = ask.text(
        "What shall the bench be called?",
        "NAME",
        given=wish.name or (how.out.stem if how.out else None),
        suggestion="my-bench" if ask.interactive else "",
        fault=name_fault,
    )
    folders = {"here": folder_here(), "user": folder_of_user()}
    folder = ask.choice(
        "Where does its file go?",
        "--folder",
        given="here" if how.out or how.dry_run else how.folder,
        suggestion=suggested_folder(),
        choices={word: str(path) for word, path in folders.items()},
    )
    path = how.out or folders[folder] / f"{name}.toml"
    if how.dry_run or how.overwrite or not path.exists():
        return name, path, how.overwrite
    question = f"{path} is there already. Replace it?"
    if not ask.yes(question, given=None, suggestion=False):
        raise refuse_taken(path)
    return name, path, True


def _tried(
    bench: Bench,
    facts: HostFacts,
    db: Path | None,
    ask: Questions,
    given: bool | None,
) -> list[str] | None:
    """Try each instrument if that is agreed to; return who failed, None: not tried."""
    from benchlog.cli.commands.check_bench import check_all

    where = ", ".join(
        f"{one.name} at {masked(one.address)}"
        for one in bench.instruments.values()
        if one.address
    )
    hint = (
        "Each is opened, set up as the file says, and asked for one value. That can "
        f"reset a board or trip a supply: {where}."
    )
    if not ask.yes("Try it?", given=given, suggestion=ask.interactive, hint=hint):
        return None
    tried = check_all(bench.instruments, database(db))
    for row in tried:
        value = "" if row.value is None else f" {row.value:,.12g} {row.unit}"
        said = f"answers{value}; {row.identity}" if row.ok else f"{row.error}"
        say_wrapped(f"{row.instrument}: {said}")
    for row in (row for row in tried if not row.ok):
        for one in lacking_for(facts, row.address):
            tell_remedy(one, f"{row.instrument}: missing on this computer")
    return [row.instrument for row in tried if not row.ok]
