"""`benchlog help`: the manual's pages, and the help of a command."""

import os
from pathlib import Path

import click

from benchlog.cli.command import COMMANDS
from benchlog.cli.command import command as make_command
from benchlog.errors import NotFoundError
from benchlog.schemas import VERSIONS, schema_text

EXAMPLES = (
    "benchlog help",
    "benchlog help first-device",
    "benchlog help measure",
    "benchlog help --schema lot",
)


@make_command("help", examples=EXAMPLES, figures=False)
@click.argument("topic", required=False)
@click.option(
    "--schema",
    type=click.Choice(sorted(VERSIONS)),
    metavar="KIND",
    help="Print the JSON Schema of a document that --json prints; its key `schema` has "
    "the KIND.",
)
@click.pass_context
def command(
    ctx: click.Context, topic: str | None, schema: str | None, db: Path | None
) -> None:
    """List the manual's topics, or show the page of TOPIC.

    With the name of a command, show the help of that command. In a terminal a page is
    shown in a pager; elsewhere it is printed as plain text.
    """
    del db
    from benchlog.manual import TOPICS

    if schema is not None:
        click.echo(schema_text(schema), nl=False)
    elif topic is None:
        click.echo(_topics())
    elif topic in TOPICS:
        _show_page(topic)
    elif topic in COMMANDS:
        click.echo(_command_help(ctx, topic))
    else:
        raise NotFoundError("help topic or command", topic, [*TOPICS, *COMMANDS])


def _topics() -> str:
    from benchlog.manual import TOPICS

    room = max(map(len, TOPICS))
    listed = [f"  {name:<{room}}  {topic.line}" for name, topic in TOPICS.items()]
    ends = ("`benchlog help TOPIC` shows a page.", "`benchlog --help` lists commands.")
    return "\n".join(["Topics, in the order of a bench day:", *listed, "", *ends])


def _show_page(topic: str) -> None:
    from benchlog.manual import read_page
    from benchlog.manual.plain import plain_text

    coloured = not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    bold = (lambda text: click.style(text, bold=True)) if coloured else str
    # the pager passes escapes on in a terminal, and takes them off elsewhere
    click.echo_via_pager(plain_text(read_page(topic), bold))


def _command_help(ctx: click.Context, name: str) -> str:
    from benchlog.manual import topic_of

    root = ctx.find_root().command
    assert isinstance(root, click.Group)
    found = root.get_command(ctx, name)
    assert found is not None
    inner = click.Context(found, info_name=name, parent=ctx.find_root())
    topic = topic_of(name)
    more = "" if topic is None else f"\n\nIn the manual: benchlog help {topic}"
    return found.get_help(inner).rstrip() + more
