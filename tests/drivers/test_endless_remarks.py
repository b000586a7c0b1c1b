"""Firmware that remarks without an end: a trimmer works in the keeper's own process."""

import socket
import threading
from contextlib import closing, suppress

import pytest
from benchlog_drivers.line_trim import LineTrim

from benchlog.clock import HostClock, host_sleep
from benchlog.errors import SilentError


@pytest.fixture
def address():
    """Yield where firmware answers who it is, then only prints what it measures."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        threading.Thread(target=_remark, args=(server,), daemon=True).start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"


def _remark(server):
    with suppress(OSError):
        link, _ = server.accept()
        with link:
            link.recv(100)
            link.sendall(b"id MAKER,MODEL,7,1.0\n")
            while True:
                link.sendall(b"# adc 1234\n" * 1_000)
                host_sleep(0.02)  # leaves a core to whoever reads


def test_an_answer_is_waited_for_in_its_time_only(address):
    driver = LineTrim(address, {}, HostClock())
    with closing(driver):
        driver.open()
        assert driver.identify().serial == "7"
        failed = []
        thread = threading.Thread(target=_set, args=(driver, failed), daemon=True)
        thread.start()
        thread.join(10.0)
        assert not thread.is_alive()
        assert isinstance(failed[0], SilentError)


def _set(driver, failed):
    try:
        driver.set(5)
    except SilentError as error:
        failed.append(error)
