"""The loop that all fuzzers share: seed, time, counts, and the keeping of what failed.

A door is a way by which strangers' bytes come in. Each has a file
`tests/fuzz/door_NAME.py` with a context manager `door()` that yields a `Door`, and
seeds in `tests/fuzz/corpus/NAME/`. `test_doors.py` enters every kept input again and
then fuzzes for `BENCHLOG_FUZZ_S` seconds a door (default 0.5; 2 in CI), and those of
`MAIN_DOORS` for `BENCHLOG_FUZZ_MAIN_S`; `campaign.py` does so for long, and prints a
table.

An input passes when `enter` returns. It fails on any exception, when it takes longer
than the door allows, and when it never returns. What failed is kept in the door's
folder, so that it is entered again from then on.
"""

import hashlib
import importlib.util
import os
import random
import re
import secrets
import signal
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType, ModuleType
from typing import Final

from seeds import seeded_random

from benchlog.clock import host_deadline

HERE: Final = Path(__file__).parent
CORPUS: Final = HERE / "corpus"
MEMORY: Final = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""Where doors have their folders: commits wait for no disk, ten times the inputs."""
SEED: Final = 15
"""The seed of CI: what fails there fails again. Campaigns take a new one."""
MAIN_DOORS: Final = (
    *("import_text", "toml", "replies", "pulses", "control", "driver_messages"),
)
"""Files, benches, what instruments answer, NMEA, a keeper's socket, a driver's pipe."""
_HUNG: Final = 10.0  # so many times what a door allows; at least 10 s of real time
_MOST_KINDS: Final = 20
_POOL: Final = 400
_LONGEST: Final = 200_000
_SAID: Final = re.compile(r"'[^']*'|\"[^\"]*\"|\d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """A way in, and how to knock at it.

    Parameters
    ----------
    name : str
        The folder of its corpus.
    enter : Callable[[bytes], str]
        Takes one input through the real entry. Returns "" when it was taken, else the
        words it was refused with. Raises when anything else came of it, an
        `AssertionError` where what it left behind is wrong.
    words : Sequence[bytes]
        Pieces that mean something behind this door; mutations put them in.
    seeds : Sequence[bytes]
        Inputs to mutate besides those of the corpus.
    make : Callable[[random.Random], bytes] | None
        Makes an input from nothing, for grammars that mutations seldom hit.
    slowest_s : float
        Processor time of this process that one input may take.
    """

    name: str
    enter: Callable[[bytes], str]
    words: Sequence[bytes] = ()
    seeds: Sequence[bytes] = ()
    make: Callable[[random.Random], bytes] | None = None
    slowest_s: float = 1.0


@dataclass(slots=True)
class Tally:
    """What came of a door's inputs."""

    door: str
    seed: int
    inputs: int = 0
    taken: int = 0
    slowest_s: float = 0.0
    slowest: bytes = b""
    """The input that took so long."""
    ways: Counter[str] = field(default_factory=Counter)
    """The different refusals, digits and quoted words left out."""
    failed: dict[str, str] = field(default_factory=dict)
    """By kind of failure: the file it is kept in, and the end of its traceback."""

    def __str__(self) -> str:
        return (
            f"{self.door:14} seed {self.seed:>10}  {self.inputs:>9,} inputs  "
            f"{self.taken:>8,} taken  {len(self.ways):>4} ways to refuse  "
            f"slowest {self.slowest_s:6.3f} s  {len(self.failed)} failed"
        )


class HungError(BaseException):
    """An input that never came back. No `Exception`: nobody may swallow it."""


def seconds(door: str) -> float:
    """Return how long a door is fuzzed."""
    usual = os.environ.get("BENCHLOG_FUZZ_S", "0.5")
    if door in MAIN_DOORS:
        return float(os.environ.get("BENCHLOG_FUZZ_MAIN_S", usual))
    return float(usual)


def seed() -> int:
    """Return the seed: `BENCHLOG_FUZZ_SEED`, a new one for `new`, else CI's."""
    return seed_of(os.environ.get("BENCHLOG_FUZZ_SEED", str(SEED)))


def seed_of(said: str) -> int:
    """Return a seed that a person named, a new one for `new`."""
    return secrets.randbelow(2**31) if said == "new" else int(said)


def doors() -> dict[str, Callable[[], AbstractContextManager[Door]]]:
    """Return what opens each door, by name: the files `door_*.py` beside this one."""
    found = {}
    for path in sorted(HERE.glob("door_*.py")):
        found[path.stem.removeprefix("door_")] = _module(path).door
    return found


def _module(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"fuzz.{path.stem}", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def kept(name: str) -> list[Path]:
    """Return the files of a door's corpus."""
    return sorted(one for one in (CORPUS / name).glob("*") if one.is_file())


def replay(door: Door) -> Tally:
    """Enter every kept input once."""
    tally = Tally(door.name, 0)
    for path in kept(door.name):
        _enter(door, path.read_bytes(), tally, path)
    return tally


def fuzz(door: Door, for_s: float | None = None, with_seed: int | None = None) -> Tally:
    """Enter made and mutated inputs until the time is up; print and return the tally.

    Inputs that were refused in new words join those that are mutated.
    """
    used = seed() if with_seed is None else with_seed
    rng, tally = seeded_random(f"{door.name} {used}"), Tally(door.name, used)
    pool = [*door.seeds, *(path.read_bytes() for path in kept(door.name))] or [b""]
    limit = host_deadline(seconds(door.name) if for_s is None else for_s)
    while not limit.passed and len(tally.failed) < _MOST_KINDS:
        if door.make is not None and rng.random() < 0.3:
            data = door.make(rng)
        else:
            data = mutated(rng, pool, door.words)
        known = len(tally.ways)
        _enter(door, data, tally)
        if len(tally.ways) > known:
            pool.append(data)
            if len(pool) > _POOL:
                del pool[rng.randrange(len(pool))]
    print(tally)
    return tally


def _enter(door: Door, data: bytes, tally: Tally, path: Path | None = None) -> None:
    began = time.process_time()
    tally.inputs += 1
    try:
        with _watched(max(10.0, _HUNG * door.slowest_s)):
            said = door.enter(data)
    except (Exception, HungError) as error:
        _keep(door, data, tally, error, path)
        return
    took = time.process_time() - began
    if took > door.slowest_s:  # once it may be a look for garbage in a large worker
        began = time.process_time()
        door.enter(data)
        took = min(took, time.process_time() - began)
    if took > tally.slowest_s:
        tally.slowest_s, tally.slowest = took, data
    tally.taken += not said
    tally.ways[_SAID.sub("_", said)[:200]] += 1
    if took > door.slowest_s:
        slow = TimeoutError(f"took {took:.2f} s of {door.slowest_s} s allowed")
        _keep(door, data, tally, slow, path)


def _keep(
    door: Door, data: bytes, tally: Tally, error: BaseException, path: Path | None
) -> None:
    """Keep an input that failed, once for each place where it did."""
    last = traceback.extract_tb(error.__traceback__)[-1:]
    where = f"{Path(last[0].filename).name}:{last[0].lineno}" if last else "too slow"
    kind = f"{type(error).__name__} at {where}"
    if kind in tally.failed:
        return
    if path is None:
        folder = CORPUS / door.name
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"failed-{hashlib.sha256(data).hexdigest()[:12]}"
        path.write_bytes(data)
    told = "".join(traceback.format_exception(error))[-3_000:]
    tally.failed[kind] = f"{path}\n{told}"
    print(f"door {door.name}: {kind}, kept as {path}\n{told}")


@contextmanager
def _watched(real_s: float) -> Iterator[None]:
    """Raise HungError in here when it takes too long; only the main thread can."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ring(_number: int, _frame: FrameType | None) -> None:
        raise HungError(f"did not come back within {real_s:g} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, real_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


# --- mutations of bytes

_ODD: Final = (
    b"\0", b"\xff", b"\xfe", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\x1b[2J", b"\r", b"\n",
    b'"', b"'", b"\\", b"[", b"{", b"(", b",", b";", b"=", b"-", b".", b"%", b"/../",
    b"0", b"-1", b"1e309", b"-1e309", b"5e-324", b"NaN", b"Infinity", b"null", b"true",
    b"9223372036854775808", b"18446744073709551616", b"1_0", b"0x10", b"1" * 65,
)  # fmt: skip


def mutated(rng: random.Random, pool: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """Return an input of the pool with some changes, at most 200,000 bytes long."""
    data = bytearray(rng.choice(pool))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 5, 8))):
        _mutate(rng, data, pool, words)
    return bytes(data[:_LONGEST])


def _mutate(
    rng: random.Random, data: bytearray, pool: Sequence[bytes], words: Sequence[bytes]
) -> None:
    at = rng.randrange(len(data) + 1)
    upto = min(len(data), at + rng.choice((1, 2, 4, 16, 64, 1_000)))
    match rng.randrange(9):
        case 0 if data:  # a flipped bit
            data[at % len(data)] ^= 1 << rng.randrange(8)
        case 1:  # a piece lost
            del data[at:upto]
        case 2:  # a piece twice
            data[at:at] = data[at:upto]
        case 3:  # cut short
            del data[at:]
        case 4:  # the end of another input
            other = rng.choice(pool)
            data[at:] = other[rng.randrange(len(other) + 1) :]
        case 5:  # one piece very often
            piece = rng.choice((*words, *_ODD))
            data[at:at] = piece * rng.choice((3, 30, 300, 3_000))
        case 6:  # a number changed
            found = list(re.finditer(rb"-?[0-9][0-9.eE+-]*", data))
            if found:
                one = rng.choice(found)
                data[one.start() : one.end()] = rng.choice(_ODD[-14:])
        case 7 if words:
            data[at : rng.choice((at, upto))] = rng.choice(words)
        case _:
            data[at : rng.choice((at, upto))] = rng.choice(_ODD)
