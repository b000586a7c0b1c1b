"""The command line in this process, on a copy of the corpus; the day stands still."""

import contextlib
import difflib
import functools
import hashlib
import itertools
import math
import os
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import html5lib
import pypdf
import pytest
from click.testing import CliRunner
from schemas_held import hold_printed

from benchlog import __version__, clock
from benchlog.cli import root
from benchlog.store.writer import Writer

TOP = Path(__file__).parents[2]
CORPUS = Path(__file__).parent / "corpus"
EXPECTED = Path(__file__).parent / "expected"
MOST_LINES = 60
UPDATE = "BENCHLOG_UPDATE_FROZEN"
LONG = re.compile(r"-?\d+\.\d{5,}(?:e[+-]\d+)?|-?\d+\.\d+e-\d+")
DIGITS = 1e-6
"""Of a number: fits that hardly converge stop elsewhere on another processor."""
COORDINATE = re.compile(r"\d+\.\d+")
PICTURE = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
OWN_NAME = re.compile(r"\b[a-z][0-9a-f]{10}\b")
"""What Matplotlib calls a clip path or a marker: a sum over its coordinates."""
RANDOM_UUID = r"\b[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}\b"
NOW_NS = 1_905_000_000 * 10**9
"""2030-05-14: every reading of the corpus is older, every check has expired."""


@contextlib.contextmanager
def a_day_that_stands_still(patch: pytest.MonkeyPatch) -> Iterator[None]:
    """Stop the host's wall clock; its monotonic one goes on."""
    real = clock.time
    still = SimpleNamespace(
        **{name: getattr(real, name) for name in dir(real) if not name.startswith("_")}
    )
    still.time_ns = lambda: NOW_NS
    still.time = lambda: NOW_NS / 1e9
    with patch.context() as patched:
        patched.setattr(clock, "time", still)
        yield


@functools.cache
def corpus_of_today(home: Path) -> Path:
    """Return the corpus, brought up to date as whoever writes to it does, in `home`.

    `schema-N.db` stay of their versions: what is told of an older file is told of them.
    """
    folder = home / "corpus-of-today"
    shutil.copytree(CORPUS, folder)
    for path in folder.glob("*.db"):
        if not path.stem.startswith("schema-"):
            Writer.open(path, clock.host_clock()).close()
    return folder


def copy_of_corpus(folder: Path) -> None:
    """Copy the corpus of today, which is made once for all folders beside this one."""
    shutil.copytree(corpus_of_today(folder.parent), folder, dirs_exist_ok=True)


def told_by(line: str, folder: Path) -> str:
    """Run a command in `folder`; return the line, what it printed, its exit code."""
    words = shlex.split(line)
    with contextlib.chdir(folder):
        done = CliRunner().invoke(
            root, words, prog_name="benchlog", env=environment(folder)
        )
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    hold_printed(words, done.stdout)
    printed = done.stdout.rstrip("\n")
    errors = "\n".join(f"! {one}" for one in done.stderr.splitlines())
    parts = [f"$ benchlog {line}", printed, errors, f"[exit {done.exit_code}]"]
    return plain("\n".join(part for part in parts if part), folder)


def environment(folder: Path) -> dict[str, str]:
    return {
        "COLUMNS": "100",
        "NO_COLOR": "1",
        "TZ": "UTC",
        "XDG_CONFIG_HOME": str(folder / "config"),
        "XDG_DATA_HOME": str(folder / "data"),
    }


def plain(text: str, folder: Path) -> str:
    """Take out what depends on the machine and on the version."""
    text = text.replace(str(folder), "FOLDER").replace(str(TOP), "HERE")
    text = text.replace(__version__, "VERSION")
    text = re.sub(RANDOM_UUID, "RANDOM-UUID", text)
    text = re.sub(r"(?m)[ \t]+$", "", text)
    return re.sub(r"/tmp/[\w./-]*", "TEMPORARY", text)


def page_text(path: Path) -> str:
    """Return the words that a page holds; those in its pictures, too."""
    if path.suffix == ".pdf":
        pages = pypdf.PdfReader(path).pages
        return "\n".join(page.extract_text() for page in pages)
    return "\n".join(words_of_page(path.read_text("utf-8")))


def words_of_page(html: str) -> Iterator[str]:
    """Yield the words of a page; a parser of HTML takes long for what is XML within."""
    pictures = map(ElementTree.XML, PICTURE.findall(html))
    page = html5lib.parse(
        PICTURE.sub("<object></object>", html), namespaceHTMLElements=False
    )
    for element in page.iter():
        if element.tag == "object":
            picture = next(pictures)
            picture.tail = element.tail
            for one in picture.iter():
                yield from words_in(one)
        elif element.tag != "style" and isinstance(element.tag, str):
            yield from words_in(element)
    assert next(pictures, None) is None


def words_in(element: ElementTree.Element) -> Iterator[str]:
    """Yield the words that an element begins with, and those right behind it."""
    for text in (element.text, element.tail):
        if said := " ".join((text or "").split()):
            yield said


def page_told(line: str, number: int, folder: Path, *, pictures: bool) -> list[str]:
    """Make a page, number 1 as PDF and others as HTML; return what it holds.

    With `pictures` a check sum of each is kept as well.
    """
    page = folder / f"page-{number}.{'pdf' if number == 1 else 'html'}"
    told = [told_by(f"report {line} --out {page.name}", folder)]
    told.append(plain(page_text(page), folder))
    return told + (pictures_of(page) if pictures else [])


def pictures_of(path: Path) -> list[str]:
    """Return a check sum of each inline picture of an HTML page; of a PDF none.

    To a tenth of a point, which nobody sees: a processor's last digits are not in it.
    """
    if path.suffix == ".pdf":
        return []
    drawn = PICTURE.findall(path.read_text("utf-8"))
    plain = [COORDINATE.sub(lambda x: f"{float(x[0]):.1f}", one) for one in drawn]
    plain = [OWN_NAME.sub("NAME", one) for one in plain]
    return [f"picture {number}: {sum_of_text(one)}" for number, one in enumerate(plain)]


def sum_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def sum_of_text(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def same_as_frozen(name: str, told: list[str]) -> None:
    """Compare with the text that is kept, or keep this one where that is asked for.

    Lines whose long numbers agree to `DIGITS` are the same: processors add in different
    orders. They stay as they are kept.
    """
    path, text = EXPECTED / f"{name}.txt", "\n\n".join(told) + "\n"
    kept = path.read_text("utf-8").splitlines() if path.exists() else []
    told_now = as_kept(kept, text.splitlines())
    if os.environ.get(UPDATE) == "1":
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("\n".join(told_now) + "\n", "utf-8")
        return
    if told_now == kept:
        return
    found = difflib.unified_diff(kept, told_now, path.name, "told", "", "", 1, "")
    pytest.fail(
        f"what is told differs from {path.name}; if it is wanted, write it anew with "
        f"{UPDATE}=1 pytest -m 'not slow' tests/frozen, and tell why\n"
        + "\n".join(itertools.islice(found, MOST_LINES)),
        pytrace=False,
    )


def as_kept(kept: list[str], told: list[str]) -> list[str]:
    """Return what is told, with kept lines in place of those that say the same.

    A matcher takes 25 s for 90,000 lines of which many are alike, so it is asked only
    where lines came, went or became others.
    """
    found: list[str] = []
    if len(kept) == len(told) and all(
        a == b or LONG.sub("#", a) == LONG.sub("#", b)
        for a, b in zip(kept, told, strict=True)
    ):
        pairs = zip(kept, told, strict=True)
        return [a if same_numbers(a, b) else b for a, b in pairs]
    plain_kept, plain_told = ([LONG.sub("#", x) for x in one] for one in (kept, told))
    matcher = difflib.SequenceMatcher(None, plain_kept, plain_told, autojunk=False)
    for what, begin, end, first, last in matcher.get_opcodes():
        if what == "equal":
            pairs = zip(kept[begin:end], told[first:last], strict=True)
            found += [a if same_numbers(a, b) else b for a, b in pairs]
        else:
            found += told[first:last]
    return found


def same_numbers(kept: str, told: str) -> bool:
    """Whether two lines that are alike but for long numbers have the same numbers."""
    if kept == told:
        return True
    pairs = zip(LONG.findall(kept), LONG.findall(told), strict=True)
    near = DIGITS if '"r2"' in kept else 0.0  # a difference from 1
    return all(
        math.isclose(float(a), float(b), rel_tol=DIGITS, abs_tol=near) for a, b in pairs
    )
