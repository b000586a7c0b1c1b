"""`benchlog ports`: what could be an instrument; asks nothing unless told to."""

from pathlib import Path

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import print_json, say
from benchlog.cli.tasks.host.ports import ASK_MS, OWN
from benchlog.units import as_stated

EXAMPLES = (
    "benchlog ports",
    "benchlog ports --ask",
    "benchlog ports --lan eth0",
    "benchlog ports --ask --visa-library @ivi --json",
)


@make_command("ports", examples=EXAMPLES)
@click.option("--ask", is_flag=True, help="Send *IDN? to each; may reset a board.")
@click.option(
    "--lan",
    "interfaces",
    multiple=True,
    metavar="NAME",
    help="Search the network of this interface as well: eth0, or 192.0.2.5/24; a "
    "broadcast and a multicast are sent.",
)
@click.option(
    "--visa-library",
    default=OWN,
    show_default=True,
    metavar="NAME",
    help="The VISA library that lists and asks.",
)
@click.option(
    "--baud-rate",
    type=click.IntRange(50, 4_000_000),
    default=9600,
    show_default=True,
    help="For asking on serial ports.",
)
def command(
    *,
    ask: bool,
    interfaces: tuple[str, ...],
    visa_library: str,
    baud_rate: int,
    db: Path | None,
    as_json: bool,
) -> None:
    """List serial ports, VISA resources and what else could be an instrument.

    Nothing is sent unless --ask or --lan is given: opening a serial port or asking a
    question can reset a board or trip a supply. What could not be searched is named,
    each with what to type.
    """
    del db
    from benchlog.cli.tasks.host.facts import look
    from benchlog.cli.tasks.host.port_text import port_table, tell_what_is_missing
    from benchlog.cli.tasks.host.ports import asked, found_ports, lan_ports

    facts = look()
    found = found_ports(facts, visa_library, ask=ask)
    found += lan_ports(interfaces)
    if ask:
        say(f"asking {len(found)} ports, at most {as_stated(ASK_MS / 1000)} s each")
        found = [asked(port, visa_library, baud_rate) for port in found]
    if as_json:
        print_json(found, "port")
    elif found:
        click.echo(port_table(found))
    else:
        say("nothing here that could be an instrument; is the cable plugged in?")
    tell_what_is_missing(facts, found, ask=ask, lan=bool(interfaces))
