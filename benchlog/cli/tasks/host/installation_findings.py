"""What the installation has and lacks, with the remedy. Pure: see `installation`."""

import re
from collections.abc import Iterator

from benchlog.cli.tasks.host.findings import HostFinding
from benchlog.cli.tasks.host.installation import (
    DISTRIBUTION,
    OLDEST_PYTHON,
    OPTIONAL,
    Installation,
)

_LITTLE_MB = 512
_COLUMNS, _LINES = 80, 24


def installation_findings(found: Installation) -> list[HostFinding]:
    """Return a finding for each thing that benchlog itself needs, or can use."""
    return [
        _python(found),
        _sqlite(found),
        _packages(found),
        *(_optional(found, name, use) for name, use in OPTIONAL.items()),
        _drivers(found),
        _folder(found),
        _database(found),
        _clock(found),
        *_terminal(found),
    ]


def _python(found: Installation) -> HostFinding:
    has, wanted = found.python_version, ".".join(map(str, OLDEST_PYTHON))
    ok = has[:2] >= OLDEST_PYTHON
    return HostFinding(
        subject="python",
        ok=ok,
        found=f"{'.'.join(map(str, has))} ({found.python})",
        remedy="" if ok else f"install Python {wanted} or newer, then benchlog again",
        needed=True,
    )


def _sqlite(found: Installation) -> HostFinding:
    ok = found.is_sqlite_fixed is not False
    fault = (
        ""
        if ok
        else ("; two writers could damage a database, so each commit is locked")
    )
    remedy = "" if ok else f"{found.python} -m pip install pysqlite3"
    return HostFinding(
        subject="sqlite", ok=ok, found=found.sqlite + fault, remedy=remedy
    )


def _packages(found: Installation) -> HostFinding:
    """One row for all required packages: those that are missing or too old."""
    wanted = found.required
    lacking = [
        name + versions
        for name, versions in wanted.items()
        if not fits(found.packages.get(name), versions)
    ]
    names = " ".join(f"'{one}'" for one in lacking)
    if not wanted:
        return HostFinding(
            subject="packages",
            ok=False,
            found=f"no metadata of {DISTRIBUTION}: it was not installed with pip",
            remedy=f"{found.python} -m pip install . in the folder of the source",
            needed=True,
        )
    return HostFinding(
        subject="packages",
        ok=not lacking,
        found=f"missing or too old: {', '.join(lacking)}"
        if lacking
        else f"all {len(wanted)} that are needed",
        remedy=f"{found.python} -m pip install {names}" if lacking else "",
        needed=True,
    )


def fits(version: str | None, wanted: str) -> bool:
    """Tell whether a version fits requirements such as `>=4,<5`."""
    if version is None:
        return False
    has = _numbers(version)
    for one in filter(None, wanted.split(",")):
        match = re.match(r"\s*(>=|<|==)\s*([\d.]+)", one)
        if match is None:
            continue  # a form that we do not write
        bound = _numbers(match[2])
        low, high = has >= bound, has < bound
        if not {">=": low, "<": high, "==": has[: len(bound)] == bound}[match[1]]:
            return False
    return True


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(
        int(part) for part in re.findall(r"\d+", version.partition("+")[0])[:4]
    )


def _optional(found: Installation, name: str, use: str) -> HostFinding:
    version = found.packages.get(name)
    return HostFinding(
        subject=name,
        ok=version is not None,
        found=version or f"no package {name}, for {use}",
        remedy="" if version else f"{found.python} -m pip install {name}",
    )


def _drivers(found: Installation) -> HostFinding:
    broken = found.broken_drivers
    ok = found.drivers > 0 and not broken
    words = "; ".join(broken.values()) or f"{found.drivers} drivers, none is broken"
    remedy = "install the package of that driver again, or remove it" if broken else ""
    if not found.drivers:
        words, remedy = (
            "no driver at all",
            f"{found.python} -m pip install {DISTRIBUTION}",
        )
    return HostFinding(
        subject="drivers", ok=ok, found=words, remedy=remedy, needed=not found.drivers
    )


def _folder(found: Installation) -> HostFinding:
    room = "" if found.free_mb is None else f", {found.free_mb:,.0f} MB free"
    if not found.is_folder_writable:
        wanted = found.database.absolute().parent
        words = f"{found.folder} may not be written"
        if wanted != found.folder:
            words = f"{wanted} cannot be made: {words}"
        remedy = "name a file that you may write, with --db or BENCHLOG_DB"
    elif found.free_mb is not None and found.free_mb < _LITTLE_MB:
        words, remedy = f"{found.folder}{room}", "free some space there"
    else:
        words, remedy = f"{found.folder}{room}", ""
    return HostFinding(
        subject="data folder", ok=not remedy, found=words, remedy=remedy, needed=True
    )


def _database(found: Installation) -> HostFinding:
    fault = found.database_fault
    return HostFinding(
        subject="database",
        ok=not fault,
        found=fault or found.database_words,
        remedy="name another file with --db or BENCHLOG_DB" if fault else "",
        needed=True,
    )


def _clock(found: Installation) -> HostFinding:
    match found.is_clock_synchronised:
        case True:
            return HostFinding(subject="clock", ok=True, found="synchronised")
        case None:
            words = "this system does not tell whether its clock is synchronised"
            return HostFinding(subject="clock", ok=True, found=words)
    return HostFinding(
        subject="clock",
        ok=False,
        found="not synchronised: times of readings may be off, and pulses without a "
        "reference are as good as this computer's crystal",
        remedy="sudo timedatectl set-ntp true",
    )


def _terminal(found: Installation) -> Iterator[HostFinding]:
    one = found.terminal
    if one is None:
        words = "output goes to no terminal: plain lines, no screen"
        yield HostFinding(subject="terminal", ok=True, found=words)
        return
    size = f"{one.columns} x {one.lines}"
    if one.name in ("", "dumb"):
        words, remedy = (
            f"it calls itself {one.name or 'nothing'!r}: plain lines",
            ("export TERM=xterm-256color, if it is one"),
        )
    elif one.columns < _COLUMNS or one.lines < _LINES:
        words = f"{size} characters: the screen wants {_COLUMNS} x {_LINES}"
        remedy = "make the window larger, or the letters smaller"
    elif one.encoding.lower().replace("-", "") != "utf8":
        words = f"its encoding is {one.encoding}: charts need UTF-8"
        remedy = "export LC_ALL=C.UTF-8"
    else:
        colours = {"none": "no colours", "some": "16 colours", "256": "256 colours"}
        words = f"{size}, {colours.get(one.colours, 'all colours')}, {one.encoding}"
        remedy = ""
    yield HostFinding(subject="terminal", ok=not remedy, found=words, remedy=remedy)
