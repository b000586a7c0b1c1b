"""SIGTERM at `measure` and `watch` in a real terminal, at whatever moment it comes."""

import signal

import pytest
from cli.conftest import Line
from cli.test_terminal import (
    AT_ONCE,
    SCREEN_GONE,
    SCREEN_UP,
    TAKE_TERMINAL,
    ended_how,
    keepers,
    measure,
    readings,
    runs,
    terminal,
)
from waiting import wait_for

from benchlog.errors import StoreError
from benchlog.model import Run

UP_S, STARTED_S, WARM_UP_S = 2.0, 0.5, 1.0
"""How long after its first instruction a program has long been up, and our modules are
imported; how long after the first of ours it has long been up."""
FEW = 10
"""Moments at which a signal comes where not many are asked for."""
FROM_ITS_FIRST_INSTRUCTION = (
    "os.execv(sys.executable, [sys.executable, '-m', 'benchlog.cli', *sys.argv[1:]])"
)
FRESH = TAKE_TERMINAL + FROM_ITS_FIRST_INSTRUCTION, False
OURS = TAKE_TERMINAL + AT_ONCE, True
"""What a terminal is taken by, and whether nothing of ours is imported yet."""


@pytest.mark.campaign  # every suite: with a question over it, below
def test_sigterm_wipes_the_screen_and_prints_figures(line: Line, bench: str) -> None:
    words = measure(bench, "--device", "d", "--for", "10h")
    with terminal(line, *words) as screen:
        screen.until_measuring(line)
        screen.process.send_signal(signal.SIGTERM)
        assert screen.exit_code() == 4, "interrupted: no verdict"
        assert SCREEN_GONE in screen.seen
        assert "interrupted" in screen.seen.rpartition(SCREEN_GONE)[2]


def moments_of(shell: str, count: int) -> list[tuple[float, tuple[str, bool]]]:
    """Return when a signal comes, and after what: a start, or our first instruction.

    A few moments are spread over the interpreter's own start, where a shell's settings
    make no difference, and over ours, in turn with one setting and with the other;
    many are spread over all of it.
    """
    if count > FEW:
        return [(UP_S * n / count, FRESH) for n in range(count)]
    of_ours = [(WARM_UP_S * n / count, OURS) for n in range(count)]
    if shell != "default":
        return of_ours[::2]
    half = count // 2
    return [(STARTED_S * n / half, FRESH) for n in range(half)] + of_ours[1::2]


@pytest.mark.parametrize(
    "moments",
    [
        4,
        pytest.param(FEW, marks=pytest.mark.campaign),
        pytest.param(80, marks=pytest.mark.slow),
    ],
)
@pytest.mark.parametrize("shell", ["default", "SIGINT ignored"])
def test_sigterm_ends_it_at_whatever_moment_it_comes(
    line: Line, bench: str, shell: str, moments: int
) -> None:
    """From the first instruction on until it is up: it ends, and so does its run."""
    words = measure(bench, "--device", "d", "--for", "10h")
    left_alone: list[float] = []
    signals = "SIGHUP, signal.SIG_DFL"
    if shell != "default":  # as a shell does for what it starts in the background
        signals = "SIGINT, signal.SIG_IGN"
    for after_s, (how, afresh) in moments_of(shell, moments):
        take = how.replace("SIGHUP, signal.SIG_DFL", signals)
        with terminal(line, *words, take=take, afresh=afresh) as screen:
            screen.look_for(after_s)
            screen.process.send_signal(signal.SIGTERM)
            screen.exit_code()
            if SCREEN_UP in screen.all:
                assert SCREEN_GONE in screen.all, f"after {after_s} s"
        try:
            wait_for(lambda: not keepers(line), within_s=30.0)
        except AssertionError:
            left_alone.append(after_s)
            break
    assert not left_alone, "its keeper goes on with nobody to end it"
    for run in runs_if_any(line):
        assert run.ended_how in ("interrupted", "terminal closed"), run


def runs_if_any(line: Line) -> list[Run]:
    """Return the runs; none where each signal came before the database had a table."""
    try:
        return runs(line)
    except StoreError as error:
        assert "no run was ever begun in it" in str(error)
        return []


def sigterm_over(line: Line, keys: str, *words: str) -> tuple[int, str]:
    """End a screen that shows what a key has opened.

    Returns the exit code and what was printed once the screen had gone.
    """
    with terminal(line, *words) as screen:
        screen.until(SCREEN_UP)
        screen.until("measuring")
        screen.type(keys)
        screen.process.send_signal(signal.SIGTERM)
        code = screen.exit_code()
        assert SCREEN_GONE in screen.all
        return code, screen.all.rpartition(SCREEN_GONE)[2]


@pytest.mark.parametrize(
    ("asked", "looked"),
    [("s", "h"), pytest.param("nq", "?v", marks=pytest.mark.campaign)],
)
def test_sigterm_ends_a_screen_with_a_question_over_it(
    line: Line, bench: str, asked: str, looked: str
) -> None:
    """What whoever looks on sees, too, is ended there: its run goes on."""
    words = measure(bench, "--device", "d", "--for", "10h")
    for keys in asked:
        code, said = sigterm_over(line, keys, *words)
        assert code == 4 and "interrupted" in said, "no verdict; figures so far"
        wait_for(lambda: not keepers(line))
    last = len(asked) + 1
    with line.started(*words, "--no-screen") as keeper:
        wait_for(lambda: readings(line, last) >= 3)
        for keys in looked:
            sigterm_over(line, keys, "watch", str(last))
            assert ended_how(line, last) is None
        keeper.send_signal(signal.SIGTERM)
        keeper.communicate(timeout=20)
    assert [run.ended_how for run in runs(line)] == last * ["interrupted"]
