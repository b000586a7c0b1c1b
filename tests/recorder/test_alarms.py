"""Alarms: raised once for each cause, over once, and told over real lines."""

import http.server
import json
import sys
import threading

import pytest

from benchlog.clock import VirtualClock, host_deadline, host_sleep
from benchlog.model import AlarmRule
from benchlog.recorder.letters import messenger as messenger_module
from benchlog.recorder.letters.alarms import Alarms, Fact
from benchlog.recorder.letters.command_words import filled_in
from benchlog.recorder.letters.messenger import Messenger


def rule(**changes):
    plain = {"when": "ambient_c", "above": 30.0, "hysteresis": 1.0, "quiet_s": 0.0}
    return AlarmRule(**{**plain, **changes})


class Room:
    def __init__(self, *rules):
        self.clock = VirtualClock()
        self.alarms = Alarms(rules, self.clock)

    def at(self, value, when="ambient_c", subject="room", after_s=1.0):
        self.clock.sleep(after_s)
        found = self.alarms.look([Fact(when, subject, value)])
        return [(change.raised, change.text) for change in found]


def test_raised_once_and_over_once():
    room = Room(rule())
    said = [room.at(v) for v in (25, 30, 30.1, 35, 31, 29.5, 28.9, 25)]
    assert [len(one) for one in said] == [0, 0, 1, 0, 0, 0, 1, 0]
    assert said[2] == [(True, "room: ambient 30.1 C, above 30 C")]
    assert said[6] == [(False, "room: ambient 28.9 C: back to normal")]


def test_a_value_that_trembles_at_the_bound_is_one_alarm():
    room = Room(rule())
    raised = [r for n in range(200) for r, _ in room.at(30 + (-1) ** n * 0.4)]
    assert raised == [True]


def test_it_must_be_beyond_for_as_long_as_the_rule_says():
    room = Room(rule(hold_s=10.0))
    assert not any(room.at(40) for _ in range(5))
    room.at(20)
    assert not any(room.at(40) for _ in range(10))
    assert room.at(40)


def test_the_quiet_time_holds_back_and_counts():
    room = Room(rule(quiet_s=100.0))
    storms = [room.at(v) for _ in range(20) for v in (40, 20)]
    assert sum(raised for one in storms for raised, _ in one) == 1
    (raised,) = room.at(40, after_s=100.0)
    assert raised == (
        True,
        "room: ambient 40 C, above 30 C, 19 times in the quiet time before",
    )


def test_below_and_both_and_who():
    room = Room(rule(when="disk_mb", above=None, below=500.0, hysteresis=25.0))
    assert room.at(499, "disk_mb", "disk")[0][0]
    assert room.at(510, "disk_mb", "disk") == []
    assert not room.at(526, "disk_mb", "disk")[0][0]
    room = Room(rule(when="offset_ppm", above=20.0, below=-20.0))
    assert room.at(-21, "offset_ppm", "KX-1")[0][0]
    assert room.at(21, "offset_ppm", "KX-2")[0][0]  # each subject is its own cause
    assert room.at(-21, "offset_ppm", "KX-1") == []


def test_lost_for_is_over_when_it_is_back():
    room = Room(rule(when="lost_s", above=60.0, hysteresis=0.0))
    assert room.at(59, "lost_s", "counter") == []
    assert "nothing from it for 1 min 01 s" in room.at(61, "lost_s", "counter")[0][1]
    assert room.at(0, "lost_s", "counter") == [(False, "counter: it is back")]


# --- the messages -----------------------------------------------------------------


@pytest.fixture
def messenger():
    one = Messenger()
    yield one
    one.close(within_s=0.1)


def failures(messenger, within_s=15.0):
    limit = host_deadline(within_s)
    found = []
    while messenger.under_way and not limit.passed:
        found += messenger.failures()
        host_sleep(0.05)
    return found


class Desk(http.server.BaseHTTPRequestHandler):
    """Takes letters; refuses the first as often as the server says."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.letters.append((self.headers["Content-Type"], json.loads(body)))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_):
        pass


@pytest.fixture
def desk():
    server = http.server.HTTPServer(("127.0.0.1", 0), Desk)
    server.letters = []
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


LETTER = {"text": "room: 31 C; $(touch /tmp/x)", "value": 31.0, "state": "raised"}


def test_a_webhook_gets_the_letter_as_json(messenger, desk):
    address = f"http://127.0.0.1:{desk.server_port}/bench"
    assert messenger.send(LETTER, (), address) == ""
    assert failures(messenger) == []
    assert desk.letters == [("application/json", LETTER)]


def test_a_program_gets_its_words_without_a_shell(messenger, tmp_path):
    out = tmp_path / "said"
    write = "import sys; open(sys.argv[1], 'w').write(sys.argv[2])"
    command = (sys.executable, "-c", write, str(out), "{text}")
    assert messenger.send(LETTER, command, "") == ""
    assert failures(messenger) == []
    assert out.read_text() == "room: 31 C; $(touch /tmp/x)"


def test_what_did_not_arrive_is_said(messenger):
    messenger.send(LETTER, (sys.executable, "-c", "raise SystemExit(7)"), "")
    messenger.send(LETTER, ("/no/such/program",), "")
    said = sorted(failures(messenger))
    assert "No such file" in said[0]
    assert "exit code 7" in said[1]


def test_a_program_that_hangs_is_ended_with_its_group(monkeypatch, messenger, tmp_path):
    monkeypatch.setattr(messenger_module, "_LIMIT_S", 2.0)
    pid_file = tmp_path / "pid"
    hang = (
        "import os,sys,threading; open(sys.argv[1],'w').write(str(os.getpid()));"
        "threading.Event().wait()"
    )
    messenger.send(LETTER, (sys.executable, "-c", hang, str(pid_file)), "")
    (said,) = failures(messenger)
    assert "did not end" in said
    pid = int(pid_file.read_text())
    limit = host_deadline(5)
    while (tmp_path / "x").exists() or _alive(pid):
        assert not limit.passed
        host_sleep(0.05)


def _alive(pid):
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_storm_is_bounded(messenger):
    command = ("sleep", "5")
    refusals = [messenger.send(LETTER, command, "") for _ in range(10)]
    assert sum(bool(one) for one in refusals) == 2


def test_filling_in_knows_its_own_names_only():
    assert filled_in("{text}", {"text": "a\nb"}) == "a\\x0ab"
    filled = filled_in("{text} {other} {text.x}", {"text": "a\nb"})
    assert filled == "a_x0ab {other} {text.x}"


def test_what_is_not_sent_on_is_told_and_over_once_it_is():
    room = Room(rule(when="forward_s", above=600.0, hysteresis=0.0))
    assert room.at(590, "forward_s", "forward") == []
    ((raised, text),) = room.at(601, "forward_s", "forward")
    assert raised and text.startswith("forward: not all is sent on for 10 min 01 s")
    assert room.at(2, "forward_s", "forward") == [(False, "forward: it is back")]
