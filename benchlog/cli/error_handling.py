"""Where errors become one sentence and an exit code; `--debug` lets them through."""

import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from typing import Any, Final

import click

from benchlog.cli.host_faults import memory_fault, sentence_of
from benchlog.errors import BenchlogError
from benchlog.masking import masked
from benchlog.units import printable

_DEBUG: Final = "benchlog.debug"
_CLOSED_PIPE: Final = 128 + 13
"""What a shell tells of a program that SIGPIPE ended (POSIX: above 128; 13 on Linux),
as of `cat` before `head`: an end without fault, and none of our codes."""


class ToldError(click.ClickException):
    """An error that is printed as one sentence, without a traceback."""

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code  # type: ignore[misc]  # click's is a class variable

    def show(self, file: Any = None) -> None:
        """Print the sentence; what came from outside is made harmless first."""
        lines = "\n".join(printable(line) for line in self.message.split("\n"))
        click.echo(f"benchlog: {lines}", file=file, err=file is None)


@contextlib.contextmanager
def told(ctx: click.Context) -> Iterator[None]:
    """Turn exceptions into `ToldError`, unless `--debug` was given."""
    if small := memory_fault():
        raise ToldError(small, 1)
    try:
        yield
    except (click.exceptions.Exit, click.Abort):
        raise
    except click.ClickException as error:
        # click repeats what was typed
        error.message = masked(error.message)  # type: ignore[misc]  # all of its errors
        raise
    except BenchlogError as error:
        if ctx.meta.get(_DEBUG):
            raise
        raise ToldError(str(error), error.exit_code) from error
    except Exception as error:
        if ctx.meta.get(_DEBUG):
            raise
        if _is_closed_pipe(error):
            raise click.exceptions.Exit(_CLOSED_PIPE) from error
        raise ToldError(sentence_of(error) or _unexpected(error), 1) from error


def _is_closed_pipe(error: Exception) -> bool:
    """Whether the reader of our output went away (`| head`)."""
    return isinstance(error, OSError) and error.errno == errno.EPIPE


def let_go_of_output() -> None:
    """Drop what standard output could not take, so that the end of us tells no more.

    The interpreter would flush it again, and end with a code of its own.
    """
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError, AttributeError):
            with contextlib.suppress(OSError, ValueError, AttributeError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())
                os.close(nowhere)


def _unexpected(error: Exception) -> str:
    said = str(error).strip().replace("\n", " ") or "no message"
    return (
        f"something unexpected happened ({type(error).__name__}: {said}); "
        "run again with --debug to see where"
    )


def _note_debug(ctx: click.Context, param: click.Parameter, value: bool) -> None:  # noqa: ARG001 - click's signature
    if value:
        ctx.meta[_DEBUG] = True


DEBUG: Final = click.Option(
    ["--debug"],
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_note_debug,
    help="Show the traceback of an error.",
)
"""The option `--debug`; click keeps what it sets for all commands below."""
