"""What ends a page's process, and what its server does not repeat of strangers."""

import logging
import sys

import pytest
from warm_program import run

from benchlog.cli.tasks import browser_server
from benchlog.cli.tasks.browser_server import _faults_of_ours
from benchlog.masking import masked
from benchlog.process_memory import process_memory

BACKLOG = """
import sys, time
from pathlib import Path
from benchlog.cli.tasks import with_screen

class Hoarder:
    def __init__(self, opening):
        self.kept = []
    def run(self):
        for number in range(60):
            if number == 8:
                time.sleep(1.0)
                print("let be", flush=True)
            self.kept.append(b"x" * 2**25)
            time.sleep(0.05)

with_screen.BenchApp = Hoarder
with_screen.watch_in_browser(Path("none.db"), 1, look_only=True)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="Linux tells what a process takes")
def test_a_page_that_keeps_what_it_was_sent_is_ended():
    """The bound is 512 MB: 32 MB eight times are let be, sixty times are not."""
    words = [sys.executable, "-c", BACKLOG]
    ended = run(words, capture_output=True, text=True, timeout=100)
    assert ended.returncode == 1 and ended.stdout == "let be\n"
    assert ended.stderr == "benchlog: a page took too much memory and was ended\n"


@pytest.mark.skipif(sys.platform != "linux", reason="Linux tells what a process takes")
def test_memory_is_that_of_a_process():
    before = process_memory().resident
    kept = b"x" * 2**26
    assert process_memory().resident - before > 2**25
    assert len(kept) and process_memory().asked > process_memory().resident
    assert process_memory(2**22 + 1).resident == 0  # above any pid (proc(5), pid_max)


def faulty(path):
    """Return the record of a fault that passed through a function of a file."""
    names = {}
    exec(compile("def fail():\n    raise ConnectionResetError", path, "exec"), names)
    try:
        names["fail"]()
    except ConnectionResetError:
        found = sys.exc_info()
    return logging.LogRecord("x", logging.ERROR, path, 1, "unhandled", None, found)


def test_tracebacks_of_strangers_requests_are_not_repeated():
    """400 connections that ended within an answer filled the terminal."""
    logger = _faults_of_ours()
    theirs = "/usr/lib/python3/site-packages/aiohttp/web_protocol.py"
    assert not logger.filter(faulty(theirs))
    assert logger.filter(faulty(browser_server.__file__))
    plain = logging.LogRecord("x", logging.ERROR, theirs, 1, "told", None, None)
    assert logger.filter(plain)


def test_an_address_to_serve_at_repeats_no_password(monkeypatch, tmp_path):
    from click.testing import CliRunner

    from benchlog.cli import root

    words = ["soak", "--metrics", "me:open-sesame@host:8643", "--device", "D1"]
    done = CliRunner().invoke(root, [*words, "--db", str(tmp_path / "x.db")])
    assert done.exit_code == 2, done.stderr
    assert "is no address to serve at" in done.stderr
    assert "sesame" not in done.stdout + done.stderr
    assert masked("//me:open-sesame@host")[2:] in done.stderr
