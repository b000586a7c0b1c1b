"""Setters that lie, babble or never answer: each order is answered, and all is let go.

Before, 30 digits in a scanner's answer held its process for a minute and 500 for ever;
a setter that hung was never let go of, and nobody was told.
"""

import json
import os
import pickle
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from benchlog_drivers.scpi_scanner import ScpiScanner
from hypothesis import given, settings
from hypothesis import strategies as st
from setter_reports import heard

from benchlog.catalogue import load_dialect
from benchlog.clock import HostClock, cpu_s, host_deadline, host_sleep
from benchlog.errors import GarbledError, InstrumentError
from benchlog.model import InstrumentSpec
from benchlog.recorder.rack import call_watch, setter_handle
from benchlog.recorder.rack.setter_handle import SetterHandle, _farewell, _report
from benchlog.recorder.rack.setter_job import SetterJob
from benchlog.testing import Script, TcpPeer

NO_NUMBERS = ("nan", "inf", "huge", "decimal", "text", "true", "none")
NEARLY = ("(@" + "1" * 26 + "x", "(@" + "1" * 500, "(@" + "1," * 250 + "x", "(@ " * 160)


def few(several, usual):
    """Mark what is not usual as cases of the campaign."""
    marked = pytest.mark.campaign
    return [one if one in usual else pytest.param(one, marks=marked) for one in several]


NOTHING = ("(@105:101)", "(@101:)", "(@:101)", "(@1:2:3)", "(@,:)")
CLOSED = "ROUTe:CLOSe:STATe?"


# --- scanners


def scanner(answer):
    answers = {"*IDN?": "MAKER,SCANNER,7,1", "SYSTem:ERRor?": '0,"No error"'}
    return TcpPeer(Script({**answers, CLOSED: "(@)"}, (CLOSED, answer)))


@pytest.mark.parametrize("list_", NEARLY)
def test_an_answer_that_is_nearly_a_list_takes_no_time(list_):
    answers = iter(["(@)"])
    with scanner(lambda: next(answers, list_)) as peer:
        driver = ScpiScanner(
            peer.address, {"dialect": load_dialect("scpi-scanner")}, HostClock()
        )
        driver.open()
        began = cpu_s()
        with pytest.raises(InstrumentError):
            driver.read_back()
        assert cpu_s() - began < 0.2
        driver.close()


@pytest.mark.parametrize("list_", NOTHING)
def test_a_range_that_names_nothing_is_no_open_scanner(list_):
    answers = iter(["(@)"])
    with scanner(lambda: next(answers, list_)) as peer:
        driver = ScpiScanner(
            peer.address, {"dialect": load_dialect("scpi-scanner")}, HostClock()
        )
        driver.open()
        with pytest.raises(GarbledError):
            driver.read_back()
        driver.close()


# --- what a setter's process writes


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3),
        max_leaves=5,
    ),
    st.sampled_from(
        ("number", "ordered", "read_back", "value", "utc_ns", "mono_ns", "released")
    ),
)
@settings(max_examples=200, deadline=None)
def test_no_report_ends_a_keeper(value, field):
    found = _report(json.dumps({"kind": "done", field: value}).encode())
    assert found.kind in ("done", "fault")


def test_a_number_without_end_is_no_report():
    line = b'{"kind": "done", "read_back": 1' + b"0" * 400 + b"}"
    assert _report(line).kind == "fault"


def test_last_words_tell_whether_it_was_let_go():
    good = b'{"kind": "farewell", "released": true}\n'
    assert _farewell(good) == ""
    assert "not end by itself" in _farewell(b"")
    held = b'{"kind": "fault", "text": "no line"}\n{"kind": "farewell"}\n'
    assert _farewell(held) == "no line"
    assert _farewell(good[:-9])


# --- a stranger's setter in its process


@pytest.fixture
def odd(tmp_path, monkeypatch):
    made = []

    def start(dead_man_s=5.0):
        options = {"folder": str(tmp_path), "low": 0.0, "high": 5.0}
        spec = InstrumentSpec(
            name="supply", driver="stranger-odd-setter", address="", options=options
        )
        handle = SetterHandle(
            SetterJob(spec=spec, bounds=(0.0, 5.0), dead_man_s=dead_man_s)
        )
        made.append(handle)
        handle.start()
        heard(handle, lambda one: one.kind == "opened")
        return handle

    yield start
    for path in tmp_path.glob("how-*"):
        path.unlink()
    for handle in made:
        with suppress(OSError):
            handle.finish()


def released(folder):
    with suppress(OSError):
        return (folder / "released").read_text().splitlines()
    return []


def until(true, within_s=20.0):
    limit = host_deadline(within_s)
    while not true():
        assert not limit.passed, "not within its time"
        host_sleep(0.02)


@pytest.mark.parametrize("how", few(NO_NUMBERS, ("nan", "huge", "text")))
def test_a_value_read_back_that_is_no_number_is_a_refusal(odd, tmp_path, how):
    handle = odd()
    (tmp_path / "how-read_back").write_text(how)
    report = heard(handle, lambda one: one.number == 1) if handle.set(1.0) else None
    assert report.kind == "refused"
    assert "read_back()" in report.text
    assert handle.finish() == ""
    assert released(tmp_path)


def test_a_measured_value_that_is_no_number_is_told(odd, tmp_path):
    handle = odd()
    (tmp_path / "how-read").write_text("nan")
    assert "Sample.value" in heard(handle, lambda one: one.kind == "fault").text


@pytest.mark.parametrize("how", ["exits", "fails"])
def test_a_driver_that_ends_itself_is_let_go_of(odd, tmp_path, how):
    handle = odd()
    (tmp_path / "how-set").write_text(how)
    number = handle.set(1.0)
    assert heard(handle, lambda one: one.number == number).kind == "refused"
    assert handle.finish() == ""
    assert released(tmp_path)


def test_what_a_driver_prints_is_no_report(odd, tmp_path):
    handle = odd()
    (tmp_path / "how-set").write_text("prints")
    number = handle.set(1.0)
    seen = []

    def is_it(report):
        seen.append(report.kind)
        return report.number == number

    assert heard(handle, is_it).kind == "done"
    assert set(seen) <= {"state", "done"}


def test_a_call_that_never_comes_back_is_left_and_let_go_of(odd, tmp_path):
    """The keeper is gone, and the instrument answers nothing: it is let go of all the
    same, over a connection of its own. Takes 6 s: a call has 4 s for that.
    """
    handle = odd(dead_man_s=1.0)
    number = handle.set(1.0)
    assert heard(handle, lambda one: one.number == number).kind == "done"
    (tmp_path / "how-read").write_text("hangs")
    host_sleep(0.3)
    until(lambda: released(tmp_path))  # nobody calls `tend`
    assert released(tmp_path) == [str(handle.pid)]


def test_one_that_hangs_at_the_end_is_let_go_of(odd, tmp_path):
    """Takes 5 s, as above."""
    handle = odd()
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    (tmp_path / "how-read").write_text("spins")
    host_sleep(0.3)
    assert handle.finish() == ""
    assert released(tmp_path)


def test_one_that_was_stopped_is_let_go_of(odd, tmp_path):
    """Before, it stayed stopped, with its supply on and the lock of its address."""
    handle = odd()
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    os.kill(handle.pid, signal.SIGSTOP)
    assert handle.finish() == ""
    assert released(tmp_path)


def state_of(number):
    """Return the letter of a process's state (proc(5)), empty where there is none."""
    with suppress(OSError):
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
    return ""


KEEPER = """
import pickle, sys, time
from benchlog.recorder.rack.setter_handle import SetterHandle
handle = SetterHandle(pickle.loads(bytes.fromhex(sys.argv[1])))
handle.start()
while not handle.opened:
    handle.hear()
number = handle.set(1.0)
while all(report.number != number for report in handle.hear()):
    time.sleep(0.01)
print(handle.pid, flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="Linux tells of a parent's death")
def test_one_that_was_stopped_lets_go_when_its_keeper_is_killed(odd, tmp_path):
    """Before, it stayed stopped for ever, with its supply on."""
    handle = odd()
    job = pickle.dumps(handle.job).hex()
    handle.finish()
    (tmp_path / "released").unlink(missing_ok=True)
    words = [sys.executable, "-c", KEEPER, job]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as keeper:
        try:
            number = int(keeper.stdout.readline())
            os.kill(number, signal.SIGSTOP)
            until(lambda: state_of(number) == "T")
            assert not released(tmp_path)
        finally:
            keeper.kill()
    until(lambda: released(tmp_path))
    until(lambda: state_of(number) in ("", "Z"))


def test_one_that_was_stopped_itself_takes_no_keeper_for_silent(odd, tmp_path):
    """Before, a process that had got no time for five seconds let go of its setter,
    which ended the sequence: it looked at the clock before it read what had come.
    """
    handle = odd(dead_man_s=2.0)
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    for _ in range(2):
        os.kill(handle.pid, signal.SIGSTOP)
        host_sleep(1.5)
        handle.tend()
        host_sleep(0.6)  # 2.1 s since it read anything, and the keeper spoke meanwhile
        os.kill(handle.pid, signal.SIGCONT)
        for _ in range(3):
            assert heard(handle, lambda one: True).kind != "released"
    assert not released(tmp_path)


def test_one_that_cannot_be_let_go_of_is_told(odd, tmp_path, monkeypatch):
    monkeypatch.setattr(setter_handle, "_FAREWELL_S", 2.0)
    handle = odd()
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    (tmp_path / "how-release").write_text("fails")
    (tmp_path / "how-close").write_text("lingers")  # a thread holds nothing up
    left = handle.pid
    said = handle.finish()
    assert "letting go failed" in said
    assert f"process {left} goes on trying" in said
    assert not released(tmp_path)
    (tmp_path / "how-release").write_text("")
    until(lambda: released(tmp_path))  # without a keeper, and it ends then
    until(lambda: not os.path.exists(f"/proc/{left}/fd/0"))


def test_one_that_has_let_go_and_does_not_end_is_ended(odd, tmp_path, monkeypatch):
    """Before, "may not be in its safe state: ; process 7 goes on trying" was told."""
    monkeypatch.setattr(setter_handle, "_FAREWELL_S", 3.0)
    handle = odd()
    (tmp_path / "how-close").write_text("lingers")
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    left = handle.pid
    assert handle.finish() == ""
    assert released(tmp_path)
    assert not os.path.exists(f"/proc/{left}"), "nothing is left that holds its line"


def test_one_that_died_just_before_the_end_is_let_go_of(odd, tmp_path):
    handle = odd()
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    os.kill(handle.pid, 9)
    assert heard(handle, lambda one: one.kind == "ended")
    assert handle.finish() == ""
    assert released(tmp_path)


def test_one_that_died_unheard_is_let_go_of(odd, tmp_path):
    """Before, what was ordered stayed so, a hot chamber too, and a person was told."""
    handle = odd()
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    os.kill(handle.pid, signal.SIGKILL)
    handle.release()
    assert handle.finish() == ""
    assert released(tmp_path)


def test_a_driver_that_forks_and_comes_back_twice_is_there_once(odd, tmp_path):
    """Before, the copy heard no keeper: it let go, and told that it had, while the
    sequence went on; and it stayed when all had ended.
    """
    handle = odd(dead_man_s=1.0)
    (tmp_path / "how-set").write_text("forks")
    number = handle.set(1.0)
    heard(handle, lambda one: one.number == number)
    (tmp_path / "how-set").unlink()
    limit = host_deadline(3.0)
    while not limit.passed:
        assert heard(handle, lambda one: True).kind != "released"
    left = handle.pid
    assert handle.finish() == ""
    assert released(tmp_path) == [str(left)]


@pytest.mark.parametrize("dies", [False, True])
def test_another_one_in_its_place_is_given_no_orders(odd, tmp_path, dies):
    """Before, a scanner of another rack, or another chamber, was gone on with."""
    handle = odd()
    (tmp_path / "how-identity").write_text("another setter")
    if dies:
        os.kill(handle.pid, signal.SIGKILL)
    (tmp_path / "how-read").write_text("fails")
    told = heard(handle, lambda one: "answers where" in one.text or one.kind == "done")
    assert told.text.startswith("'another setter' answers where 'an odd setter' was")
    (tmp_path / "how-read").unlink()
    (tmp_path / "how-identity").unlink()
    assert heard(handle, lambda one: one.kind == "opened").text == "an odd setter"


def test_limits_fit_each_other():
    assert call_watch.LEAVING_S < call_watch.CALL_S < 20.0  # a keeper waits for that
