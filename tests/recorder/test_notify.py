"""The service manager's datagrams, on a real socket of either kind."""

import socket

import pytest

from benchlog.recorder.housekeeping import Notifier


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_what_systemd_documents_is_sent(tmp_path, kind):
    name = str(tmp_path / "notify") if kind == "path" else "\0benchlog-test-notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": name.replace("\0", "@")})
        notifier.ready()
        notifier.alive()
        notifier.status("run 7:\n12 readings")
        notifier.status("run 7: 12 readings")  # nothing new
        notifier.stopping()
        said = [manager.recv(1000) for _ in range(4)]
    assert said == [
        b"READY=1", b"WATCHDOG=1", b"STATUS=run 7: 12 readings", b"STOPPING=1",
    ]  # fmt: skip


def test_nobody_to_tell_is_fine(tmp_path):
    Notifier({}).ready()
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).alive()
