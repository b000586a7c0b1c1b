"""Alarms on their way out: hostile desks, hostile programs, hostile ids; all real."""

import http.server
import json
import os
import socket
import sys
import threading

import pytest

from benchlog.clock import host_deadline, host_moment, host_sleep
from benchlog.recorder.letters import letter as letter_module
from benchlog.recorder.letters.command_words import filled_command, filled_in
from benchlog.recorder.letters.messenger import Messenger

LETTER = {"text": "KX-1: offset 31 ppm, above 30 ppm", "utc": "2026-11-29T10:00:00Z"}
SECRET = "s3cr3t-t0ken"


@pytest.fixture
def messenger():
    one = Messenger()
    yield one
    one.close(within_s=0.1)


def failures(messenger, within_s=20.0):
    limit = host_deadline(within_s)
    found = []
    while messenger.under_way and not limit.passed:
        found += messenger.failures()
        host_sleep(0.05)
    assert not messenger.under_way
    return found


class Desk(http.server.BaseHTTPRequestHandler):
    """Answers each path with what the server says of it; notes what came."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.came.append((self.path, dict(self.headers), body))
        status, headers = self.server.answers.get(self.path, (200, {}))
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()

    do_GET = do_POST  # noqa: N815 - the base class's names

    def log_message(self, *_):
        pass


@pytest.fixture
def desk():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Desk)
    server.came, server.answers = [], {}
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_not_followed_and_counts_as_not_delivered(
    messenger, desk, status
):
    where = f"http://127.0.0.1:{desk.server_port}"
    desk.answers["/bench"] = (status, {"Location": f"{where}/stranger"})
    messenger.send(LETTER, (), f"{where}/bench")
    (said,) = failures(messenger)
    assert f"HTTP {status}" in said
    assert [path for path, *_ in desk.came] == ["/bench"]  # once: it will not change


def test_an_address_is_told_nowhere_and_its_password_reaches_the_desk(messenger, desk):
    place = f"127.0.0.1:{desk.server_port}/hooks/{SECRET}?key={SECRET}"
    desk.answers[f"/hooks/{SECRET}?key={SECRET}"] = (403, {})
    messenger.send(LETTER, (), f"http://bench:pass-{SECRET}@{place}")
    (said,) = failures(messenger)
    assert "403" in said
    assert SECRET not in said
    assert "127.0.0.1" not in said
    headers = desk.came[0][1]
    assert headers["Authorization"].startswith("Basic ")


@pytest.mark.parametrize(
    ("host", "why"),
    [
        ("127.0.0.1:9", "refused"),
        ("no-such-desk.invalid", "not known|resolution"),
        ("[", "ValueError"),
        ("127.0.0.1:port", "InvalidURL"),
    ],
)
def test_a_desk_that_cannot_be_reached_tells_no_address(monkeypatch, host, why):
    monkeypatch.setattr(letter_module, "PAUSE_S", 0.0)
    with pytest.raises(letter_module.NotDelivered, match=why) as caught:
        letter_module.post(f"http://user:{SECRET}@{host}/{SECRET}", LETTER)
    assert SECRET not in str(caught.value)


def test_a_program_with_much_to_say_is_drained(messenger, tmp_path):
    done = tmp_path / "done"
    talk = (
        "import os, sys\n"
        "for _ in range(40): os.write(2, b'x' * 65536); os.write(1, b'y' * 65536)\n"
        "open(sys.argv[1], 'w').close()\n"
        "raise SystemExit(3)"
    )
    messenger.send(LETTER, (sys.executable, "-c", talk, str(done)), "")
    (said,) = failures(messenger)
    assert done.exists()
    assert "exit code 3" in said
    assert len(said) < 400


def test_what_a_program_leaves_running_ends_with_its_time(tmp_path):
    """One child in the group, one in a session of its own, one orphaned by a parent."""
    messenger = Messenger(run_s=1.0)
    names = [tmp_path / name for name in ("group", "session", "orphan")]
    script = (
        f"sh -c 'echo $$ > {names[0]}; exec sleep 60' &\n"
        f"setsid sh -c 'echo $$ > {names[1]}; exec sleep 60' &\n"
        f"(setsid sh -c 'echo $$ > {names[2]}; exec sleep 60' &)\n"
        "exit 0\n"
    )
    messenger.send(LETTER, ("sh", "-c", script), "")
    (said,) = failures(messenger)
    assert "left running" in said
    pids = [int(name.read_text()) for name in names]
    assert not [pid for pid in pids if alive(pid)]


def test_a_program_that_hangs_ends_when_the_keeper_ends(tmp_path):
    messenger, pid = Messenger(), tmp_path / "pid"
    messenger.send(
        LETTER, ("setsid", "sh", "-c", f"echo $$ > {pid}; exec sleep 60"), ""
    )
    limit = host_deadline(10)
    while not (pid.exists() and pid.read_text()):
        assert not limit.passed
        host_sleep(0.02)
    began_ns = host_moment().awake_ns
    messenger.close(within_s=0.2)
    assert host_moment().awake_ns - began_ns < 3e9
    assert not alive(int(pid.read_text()))


def test_a_program_gets_a_small_environment(monkeypatch, messenger, tmp_path):
    monkeypatch.setenv("BENCH_TOKEN", SECRET)
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/manager")
    out = tmp_path / "environment"
    tell = "import os,sys,json; json.dump(dict(os.environ), open(sys.argv[1], 'w'))"
    messenger.send(LETTER, (sys.executable, "-c", tell, str(out)), "")
    assert failures(messenger) == []
    got = json.loads(out.read_text())
    assert got["PATH"] == os.environ["PATH"]
    assert not {"BENCH_TOKEN", "NOTIFY_SOCKET"} & set(got)


def test_both_ways_are_tried(messenger, desk):
    address = f"http://127.0.0.1:{desk.server_port}/bench"
    messenger.send(LETTER, ("/no/such/notifier",), address)
    (said,) = failures(messenger)
    assert "program" in said
    assert "notifier" not in said
    assert [path for path, *_ in desk.came] == ["/bench"]


def test_a_program_that_prints_its_own_secret_gives_none_away(messenger):
    tell = "import sys; sys.exit(f'cannot post to {sys.argv[1]} as {sys.argv[2]}')"
    address = f"https://desk.example/{SECRET}"
    command = (sys.executable, "-c", tell, address, f"Bearer {SECRET}")
    messenger.send(LETTER, command, "")
    (said,) = failures(messenger)
    assert "cannot post to" in said
    assert SECRET not in said


def test_braces_inside_a_value_stay_text():
    letter = {"text": "{utc} {when}", "when": "now {utc}", "utc": "2026"}
    assert filled_in("{when}|{utc}", letter) == "now {utc}|2026"
    assert filled_in("{text}", letter) == "{utc} {when}"


@pytest.mark.parametrize(
    "answer", [b"no HTTP at all\r\n\r\n", b"", b"HTTP/1.1 200 " + b"x" * 100_000]
)
def test_a_desk_that_answers_nonsense_has_not_taken_the_message(monkeypatch, answer):
    monkeypatch.setattr(letter_module, "TRIES", 1)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def once():
            link, _ = server.accept()
            with link:
                link.recv(65_536)
                link.sendall(answer)

        desk = threading.Thread(target=once)
        desk.start()
        with pytest.raises(letter_module.NotDelivered):
            letter_module.post(f"http://127.0.0.1:{server.getsockname()[1]}/", LETTER)
        desk.join()


@pytest.mark.parametrize("hostile", ["-rf", "--exec=sh", "@/etc/hostname", "+x"])
def test_an_id_is_never_an_option(messenger, tmp_path, hostile):
    out = tmp_path / "words"
    tell = "import sys, json; json.dump(sys.argv[2:], open(sys.argv[1], 'w'))"
    words = ("{subject}", "{subject}: {text}", "--of={subject}", "--mine")
    command = (sys.executable, "-c", tell, str(out), *words)
    messenger.send({"subject": hostile, "text": "lost"}, command, "")
    assert failures(messenger) == []
    said = json.loads(out.read_text())
    harmless = {
        "-rf": "_rf",
        "--exec=sh": "__exec_sh",
        "@/etc/hostname": "__etc_hostname",
    }
    within = harmless.get(hostile, "_x")
    assert said == [f" {hostile}", f"{within}: lost", f"--of={within}", "--mine"]


@pytest.mark.parametrize(
    ("hostile", "words"),
    [
        (
            '1"; x=1} BEGIN {system("touch told")} END {print "',
            ("awk", 'BEGIN { print "{device}" }'),
        ),
        ('BEGIN {system("touch told")}', ("awk", "{device}")),
        ("x; touch told", ("make", "-s", "D={device}")),
        ("-fprint told", ("make", "-s", "D=. -maxdepth 0 {device}", "found")),
    ],
)
def test_no_program_runs_what_a_value_says(
    messenger, monkeypatch, tmp_path, hostile, words
):
    """No list of programs that take a script is complete: a value within a word is."""
    makefile = tmp_path / "Makefile"
    makefile.write_text("all:\n\t@echo $(D)\n\nfound:\n\tfind $(D)\n")
    monkeypatch.chdir(tmp_path)
    messenger.send({"device": hostile}, words, "")
    failures(messenger)
    assert [path.name for path in tmp_path.iterdir()] == ["Makefile"]


def test_within_a_word_only_harmless_characters_of_a_value_pass():
    kept = ["KX-0412", "2026.7", "Prüf_3", "7"]
    assert [filled_in("id={d}", {"d": one}) for one in kept] == [
        f"id={k}" for k in kept
    ]
    changed = {"-rf": "_rf", "--": "__", "a--b": "a__b", "..": "__", ".x": "_x"}
    changed |= {"a b": "a_b", "x'": "x_", "a/b": "a_b", "$x": "_x", "x-": "x_"}
    for said, harmless in changed.items():
        assert filled_in("{d}.txt", {"d": said}) == f"{harmless}.txt", said


def test_numbers_and_what_is_ours_pass_within_a_word():
    letter = {"value": -3.25e-7, "code": -12, "utc": "2026-11-30T12:00:00Z"}
    filled = filled_in("v={value},c={code},t={utc}", letter)
    assert filled == "v=-3.25e-07,c=-12,t=2026-11-30T12:00:00Z"


def test_a_whole_word_passes_but_behind_what_makes_a_script_of_its_words():
    letter = {"text": "31 C; $(x)"}
    assert filled_command(["notify", "{text}"], letter)[1:] == ["31 C; $(x)"]
    for words in (["ssh", "desk", "notify"], ["timeout", "9", "/usr/bin/watch", "-g"]):
        assert filled_command([*words, "{text}"], letter)[-1] == "31_C____x_"


def test_a_program_has_all_values_in_variables(messenger, tmp_path):
    out = tmp_path / "said"
    script = (
        """printf '%s|' "$BENCHLOG_DEVICE" "$BENCHLOG_CODE" "$BENCHLOG_RUNS" >"$0\""""
    )
    hostile = '1"; x} $(touch told) `touch told`; touch told #'
    told = {"device": hostile, "code": -7, "runs": [1, 2], "above": None}
    messenger.send(told, ("sh", "-c", script, str(out)), "")
    assert failures(messenger) == []
    assert out.read_text() == f"{hostile}|-7|[1, 2]|"


class Drip(threading.Thread):
    """A desk that sends a byte of its answer now and then, for ever."""

    def __init__(self, server):
        super().__init__()
        self.server, self.over = server, threading.Event()

    def run(self):
        link, _ = self.server.accept()
        with link:
            while not self.over.wait(0.1):
                try:
                    link.sendall(b"H")
                except OSError:
                    return


def test_a_desk_that_never_comes_to_an_end_is_left(monkeypatch):
    monkeypatch.setattr(letter_module, "POST_S", 0.5)
    monkeypatch.setattr(letter_module, "PAUSE_S", 0.0)
    monkeypatch.setattr(letter_module, "TRIES", 1)
    with socket.create_server(("127.0.0.1", 0)) as server:
        drip = Drip(server)
        drip.start()
        began_ns = host_moment().awake_ns
        with pytest.raises(letter_module.NotDelivered, match="no answer"):
            letter_module.post(f"http://127.0.0.1:{server.getsockname()[1]}/", LETTER)
        took_ns = host_moment().awake_ns - began_ns
        drip.over.set()
        drip.join()
    assert took_ns < 3e9


def alive(pid):
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False
