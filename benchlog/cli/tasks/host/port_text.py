"""What was found and what was not searched, put into words."""

from collections.abc import Sequence

from benchlog.cli.printing import say, table
from benchlog.cli.tasks.host.facts import HostFacts
from benchlog.cli.tasks.host.findings import remedy_for, unsearched
from benchlog.cli.tasks.host.ports import Port


def tell_what_is_missing(
    facts: HostFacts, found: Sequence[Port], *, ask: bool, lan: bool
) -> None:
    """Name each class that was not searched, and what found ports still need."""
    for lacking in unsearched(facts, asked=ask, lan=lan):
        say(str(lacking))
    needs = {remedy_for(facts, port.address): port.address for port in found}
    for remedy, address in needs.items():
        if remedy:
            say(f"not usable yet: {address}: {remedy}")


def port_table(ports: Sequence[Port], *, numbered: bool = False) -> str:
    """Return the ports as a table; a name that lasts has a line of its own."""
    rows = []
    for number, port in enumerate(ports, start=1):
        said = port.identity or port.error or port.description or "-"
        mark = f"{number}  " if numbered else ""
        rows.append((f"{mark}{port.address}", port.kind, said))
        if port.lasting:
            rows.append((f"  = {port.lasting}", "", "the same at every plug-in"))
    return table(("address", "kind", "identity or description"), rows)
