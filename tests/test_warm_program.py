"""What comes from the nursery is a process like one that an interpreter becomes."""

import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from nursery import STARTERS
from warm_program import Program, children_of, cold_starts, nursery, run

pytestmark = pytest.mark.skipif(nursery() is None, reason="this system has no nursery")

TOP = Path(__file__).parents[1]
KEPT: list[object] = []
"""Another nursery: it ends with this process."""
TOLD = """
import json, os, signal, sys
own = os.getpriority(os.PRIO_PROCESS, 0)
files = sorted(int(name) for name in os.listdir("/proc/self/fd"))
files = [one for one in files if one < 200 and os.path.exists(f"/proc/self/fd/{one}")]
umask = os.umask(0)
print(json.dumps({
    "argv": sys.argv, "folder": os.getcwd(), "parent": os.getppid(), "nice": own,
    "umask": umask, "files": files, "session": os.getsid(0) == os.getpid(),
    "marked": os.environ.get("MARKED"), "path": sys.path[0],
    "ignored": signal.getsignal(signal.SIGHUP) == signal.SIG_IGN,
    "int": signal.getsignal(signal.SIGINT) == signal.default_int_handler,
    "blocked": [int(n) for n in signal.pthread_sigmask(signal.SIG_BLOCK, ())],
    "words": open("/proc/self/cmdline").read().rstrip("\\0").split("\\0")[1:],
    "modules": "benchlog.recorder.launch" in sys.modules, "name": __name__,
    "more": os.read(int(sys.argv[1]), 9).decode() if sys.argv[1:] else "",
}))
sys.exit(7)
"""


def told(start: type, folder: Path, **how: object) -> dict[str, object]:
    read, write = os.pipe()
    os.write(write, b"more")
    os.close(write)
    with start(
        [sys.executable, "-c", TOLD, str(read)],
        cwd=folder,
        env={**os.environ, "MARKED": "yes"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        pass_fds=[read],
        **how,
    ) as process:
        found = json.loads(process.communicate()[0])
    os.close(read)
    assert process.returncode == 7
    return found


def test_keepers_that_are_started_start_their_instruments_warm() -> None:
    """One that was left out started six interpreters for each rack."""
    rooms = TOP / "benchlog" / "recorder"
    begun = {
        ".".join(path.relative_to(TOP).with_suffix("").parts)
        for path in rooms.rglob("*.py")
        if '__name__ == "__main__"' in path.read_text("utf-8")
    }
    ends = ("instrument_process", "letter_process", "setter_process")
    assert {name for name in begun if not name.endswith(ends)} <= STARTERS


@pytest.mark.parametrize("session", [False, True])
def test_as_a_fresh_interpreter(tmp_path: Path, session: bool) -> None:
    before = os.umask(0o027)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGUSR2])
    try:
        warm = told(Program, tmp_path, start_new_session=session)
        with cold_starts():
            cold = told(subprocess.Popen, tmp_path, start_new_session=session)
    finally:
        os.umask(before)
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGUSR2])
    assert warm["parent"] == os.getpid()
    assert (warm.pop("modules"), cold.pop("modules")) == (True, False)
    assert warm.pop("path") == str(tmp_path)  # an interpreter has "" there
    assert cold.pop("path") == ""
    assert warm == cold


def test_a_child_of_ours_until_it_is_waited_for() -> None:
    with Program([sys.executable, "-c", "import os; os.read(0, 1)"], stdin=-1) as one:
        assert one.pid in children_of(os.getpid())
        assert one.poll() is None
        one.send_signal(signal.SIGTERM)
        assert one.wait(10) == -signal.SIGTERM
    assert one.pid not in children_of(os.getpid())


def test_a_module_is_run_as_by_an_interpreter() -> None:
    words = [sys.executable, "-P", "-m", "benchlog.metrics.serving"]
    warm = run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    with cold_starts():
        cold = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
    assert warm.returncode == cold.returncode
    assert warm.stderr.splitlines()[-1:] == cold.stderr.splitlines()[-1:]
    assert "RuntimeWarning" not in warm.stderr


def test_a_signal_sent_at_once_is_not_lost() -> None:
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGKILL):
        with Program(
            [sys.executable, "-c", "import os; os.read(0, 1)"], stdin=-1
        ) as it:
            it.send_signal(number)
            assert it.wait(20) == -number


def test_what_benchlog_starts_is_warm_and_a_child_of_who_started_it() -> None:
    inner = (
        "import os, subprocess, sys\n"
        "words = [sys.executable, '-P', '-m', 'benchlog.cli', '--help']\n"
        "one = subprocess.Popen(words, stdout=subprocess.PIPE)\n"
        "print(type(one).__name__, one.pid in map(int, open("
        "f'/proc/self/task/{os.getpid()}/children').read().split()))\n"
        "print(b'measure' in one.communicate()[0], one.returncode)\n"
    )
    done = run([sys.executable, "-c", inner, "measure"], capture_output=True, text=True)
    assert done.stdout.split() == ["InnerProgram", "True", "True", "0"], done.stderr


def test_an_instrument_ends_with_who_started_it_however_that_ends() -> None:
    inner = (
        "import os, signal, subprocess, sys, time\n"
        "read, write = os.pipe()\n"
        "words = [sys.executable, '-P', '-m', "
        "'benchlog.recorder.instruments.instrument_process', str(read), str(read)]\n"
        "one = subprocess.Popen(words, pass_fds=[read])\n"
        "print(one.pid, flush=True)\n"
        "sys.stdin.read()\n"
    )
    with Program([sys.executable, "-c", inner, "measure"], stdin=-1, stdout=-1) as one:
        assert one.stdout is not None
        pid = int(one.stdout.readline())
        assert Path(f"/proc/{pid}").exists()
        one.kill()
        one.wait(10)
        end = os.pidfd_open(pid) if Path(f"/proc/{pid}").exists() else None
    if end is not None:
        assert select.select([end], [], [], 10)[0]
        os.close(end)


def test_a_nursery_knows_nothing_of_the_test_that_needs_it_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nursery_starts.InnerProgram.nursery", None)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("PYTHONWARNINGS", "ignore")
    found = nursery()
    assert found is not None
    monkeypatch.delenv("PYTHONPATH")
    monkeypatch.delenv("PYTHONWARNINGS")
    code = "import sys; print(*sys.path, 'benchlog.cli' in sys.modules)"
    done = run([sys.executable, "-c", code], cwd="/", capture_output=True, text=True)
    KEPT.append(found)
    assert str(tmp_path) not in done.stdout
    assert done.stdout.split()[-1] == "True", "it was forked"


@pytest.mark.parametrize("folder", ["", "recorder/strangers"])
def test_drivers_are_found_as_a_fresh_interpreter_finds_them(folder: str) -> None:
    """The folders that all have are looked through once, those of one start there."""
    path = str(Path(__file__).parent / folder) if folder else ""
    code = "from benchlog import registry; print(*registry.names())"
    words = [sys.executable, "-P", "-c", code]
    env = {**os.environ, "PYTHONPATH": path}
    warm = run(words, env=env, capture_output=True, text=True)
    with cold_starts():
        cold = subprocess.run(
            words, env=env, capture_output=True, text=True, check=False
        )
    assert warm.stdout == cold.stdout
    assert ("stranger-steady" in warm.stdout.split()) == bool(folder)
    assert "scpi-counter" in warm.stdout.split()


def test_a_session_of_its_own_can_be_ended_at_once() -> None:
    words = [sys.executable, "-c", "import os; os.read(0, 1)"]
    for _ in range(3):
        with Program(words, stdin=-1, start_new_session=True) as one:
            os.killpg(one.pid, signal.SIGKILL)
            assert one.wait(20) == -signal.SIGKILL


def test_a_worker_is_warm_and_has_a_nursery_from_its_first_moment_on() -> None:
    words = [sys.executable, "-u", "-c", "import sys;exec(eval(sys.stdin.readline()))"]
    lines = (
        "import nursery_starts, os",
        "mine = nursery_starts.InnerProgram.nursery",
        "print('benchlog.cli' in sys.modules, mine.pid == os.getpid())",
    )
    with subprocess.Popen(words, stdin=-1, stdout=-1, text=True) as one:
        assert one.pid in children_of(os.getpid())
        said, _ = one.communicate(f"{os.linesep.join(lines)!r}\n", timeout=60)
    assert said.split() == ["True", "True"]
    assert one.returncode == 0
