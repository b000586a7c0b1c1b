"""A real PostgreSQL of our own: made for the tests, on loopback, and ended after them.

The server does not run as root: a root user starts it as another one.
"""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from contextlib import suppress
from pathlib import Path

from benchlog.clock import host_deadline, host_sleep

PASSWORD = "not-in-any-log-7391"
_OTHERS = ("postgres", "nobody")


def folder_of_programs() -> Path | None:
    """Return where initdb and postgres are on this computer; None where nowhere."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    for path in sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True):
        if (path / "initdb").exists():
            return path
    return None


class CentralServer:
    """One server with its data folder; `sync` as in a factory, or fast for tests."""

    def __init__(self, *, sync: bool = False, nice: int = 0) -> None:
        programs = folder_of_programs()
        assert programs is not None
        self._programs = programs
        self._sync, self._nice = sync, nice
        self.home = Path(tempfile.mkdtemp(prefix="central-"))
        self.data = self.home / "data"
        self.port = _free_port()
        self._user = _other_user() if os.geteuid() == 0 else None
        self._process: subprocess.Popen[bytes] | None = None
        self._initialise()
        self.start()

    def _initialise(self) -> None:
        self.home.chmod(0o755)
        secret = self.home / "secret"
        secret.write_text(PASSWORD)
        if self._user is not None:
            for path in (self.home, secret):
                os.chown(path, self._user.pw_uid, self._user.pw_gid)
        self._run(
            *("initdb", "--no-sync", "-D", self.data, "-U", "keeper", "-E", "UTF8"),
            *("--locale=C", f"--pwfile={secret}", "-A", "scram-sha-256"),
        )
        secret.unlink()

    def _run(self, program: str, *rest: object) -> None:
        done = subprocess.run(
            [str(self._programs / program), *map(str, rest)],
            check=False,
            capture_output=True,
            cwd="/",
            **self._as_other(),
        )
        assert done.returncode == 0, done.stderr.decode()

    def _as_other(self) -> dict:
        if self._user is None:
            return {}
        groups = {"group": self._user.pw_gid, "extra_groups": []}
        return {"user": self._user.pw_uid, **groups}

    def start(self) -> None:
        settings = {
            "listen_addresses": "127.0.0.1",
            "port": self.port,
            "unix_socket_directories": self.home,
            "max_connections": 40,
            "shared_buffers": "64MB",
            "fsync": "on" if self._sync else "off",
        }
        more = [f"--{name}={value}" for name, value in settings.items()]
        program = str(self._programs / "postgres")
        with (self.home / "log").open("ab") as log:
            self._process = subprocess.Popen(
                ["nice", "-n", str(self._nice), program, "-D", str(self.data), *more],
                stdout=log,
                stderr=log,
                cwd="/",
                **self._as_other(),
            )
        limit = host_deadline(60)
        while not limit.passed:
            with suppress(Exception), self.connect("postgres"):
                return
            assert self._process.poll() is None, self.log
            host_sleep(0.05)
        raise AssertionError(self.log)

    def stop(self, *, at_once: bool = True) -> None:
        """End the server: at once (as a power cut does to it), or in good order."""
        if self._process is None:
            return
        if at_once:
            self._process.send_signal(3)  # immediate: what is not committed is gone
        else:
            self._process.terminate()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(20)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._process = None

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.home, ignore_errors=True)

    @property
    def log(self) -> str:
        return (self.home / "log").read_text(errors="replace")

    def connect(self, database: str, user: str = "keeper", password: str = PASSWORD):
        import psycopg

        return psycopg.connect(
            host="127.0.0.1",
            port=self.port,
            dbname=database,
            user=user,
            password=password,
            autocommit=True,
        )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    @property
    def owner(self) -> tuple[int, int]:
        """User and group of the server's files."""
        if self._user is None:
            return os.geteuid(), os.getegid()
        return self._user.pw_uid, self._user.pw_gid

    def address(self, database: str) -> str:
        return f"postgresql://127.0.0.1:{self.port}/{database}"


def _other_user():
    for name in _OTHERS:
        with suppress(KeyError):
            return pwd.getpwnam(name)
    raise AssertionError("no other user to start a server as")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
