"""What was found and what was not searched, put into words."""

from collections.abc import Sequence

from benchlog.cli.printing import say, table
from benchlog.cli.tasks.host.facts import HostFacts
from benchlog.cli.tasks.host.findings import HostFinding, lacking_for, unsearched
from benchlog.cli.tasks.host.ports import Port


def tell_what_is_missing(
    facts: HostFacts, found: Sequence[Port], *, ask: bool, lan: bool
) -> None:
    """Name each class that was not searched, and what found ports still need."""
    for lacking in unsearched(facts, asked=ask, lan=lan):
        say(f"not searched: {lacking.kind}: {lacking.why}")
        say(f"    {lacking.remedy}")
    lacking_things = {
        one.subject: one for port in found for one in lacking_for(facts, port.address)
    }
    for one in lacking_things.values():
        tell_remedy(one, "not usable yet")


def tell_remedy(one: HostFinding, what: str) -> None:
    """Name what is missing, and below it what to do."""
    say(f"{what}: {one.found}")
    say(f"    {one.remedy}")


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
