"""`benchlog completion`: the script that lets a shell complete commands and names."""

from pathlib import Path

import click
from click.shell_completion import get_completion_class

from benchlog.cli.command import command as make_command

EXAMPLES = (
    'eval "$(benchlog completion bash)"     # add this line to ~/.bashrc',
    'eval "$(benchlog completion zsh)"      # add this line to ~/.zshrc',
    "benchlog completion fish > ~/.config/fish/completions/benchlog.fish",
)


@make_command("completion", examples=EXAMPLES, figures=False)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str, db: Path | None) -> None:
    """Print the script that lets your shell complete commands, parts, benches, runs."""
    from benchlog.cli.group import root

    del db
    completer = get_completion_class(shell)
    assert completer is not None
    click.echo(completer(root, {}, "benchlog", "_BENCHLOG_COMPLETE").source())
