"""Making a part: ask what the data sheet promises, check it, write the file."""

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from benchlog.catalogue import (
    described_id,
    described_part,
    device_words,
    find,
    part_from_mapping,
    read_defaults,
    require_plausible,
)
from benchlog.catalogue.places import user_folder
from benchlog.cli.printing import say
from benchlog.cli.tasks.bench_setup.making import refuse_taken, write
from benchlog.cli.tasks.bench_setup.questions import Questions
from benchlog.cli.tasks.part_setup.part_text import PartAnswers, part_text
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Kind
from benchlog.units import parse_frequency_hz, parse_tolerance_ppm

_NONE: Final = "none"
_SIGNED: Final = r"(-?\d+(?:\.\d+)?)"
_RANGE: Final = re.compile(rf"{_SIGNED} ?(?:to|\.\.\.?|,| ) ?\+?{_SIGNED}")
_CRYSTALS: Final = (Kind.QUARTZ, Kind.TUNING_FORK)
_MOST_PF: Final = 1e4


@dataclass(frozen=True, slots=True, kw_only=True)
class PartWish:
    """What was given as options; None where a question is to be asked."""

    id: str | None = None
    nominal: str | None = None
    tolerance: str | None = None
    kind: str | None = None
    title: str | None = None
    reference_c: float = 25.0
    stability: str | None = None
    range: str | None = None
    ageing: str | None = None
    jitter: str | None = None
    load_pf: float | None = None
    folder: str | None = None
    out: Path | None = None
    overwrite: bool = False
    dry_run: bool = False


def make_part(wish: PartWish, *, interactive: bool) -> None:
    """Make a part file, or print it, and tell the next command.

    Raises UsageError for answers that cannot be or are missing, ConfigError when the
    file would have a mistake, BenchlogError when it cannot be written.
    """
    ask = Questions(interactive)
    answers = answers_from(wish, ask)
    path = wish.out or _folder(wish, ask) / f"{answers.id}.toml"
    text = part_text(answers)
    part_from_mapping(tomllib.loads(text), str(path))
    if wish.dry_run:
        click.echo(text, nl=False)
        return
    overwrite = wish.overwrite
    if path.exists() and not overwrite:
        question = f"{path} is there already. Replace it?"
        if not ask.yes(question, given=None, suggestion=False):
            raise refuse_taken(path)
        overwrite = True
    hidden = _found(answers.id)
    write(path, text, overwrite=overwrite)
    say(f"written to {path}")
    _tell_next(answers.id, path, hidden)


def answers_from(wish: PartWish, ask: Questions) -> PartAnswers:
    """Return what is promised, from options and a person's answers.

    Raises UsageError.
    """
    kind = Kind(
        ask.choice(
            "What is it?",
            "--kind",
            given=wish.kind,
            suggestion="quartz" if ask.interactive else "other",
            choices={one: device_words(one) for one in Kind},
        )
    )
    nominal_hz = parse_frequency_hz(
        ask.text(
            "Nominal frequency?",
            "--nominal",
            given=wish.nominal,
            suggestion="",
            hint="For example 12 MHz, 32.768 kHz or 16e6.",
            fault=lambda text: _fault(lambda: _plausible_hz(text, kind)),
        )
    )
    tolerance_ppm = parse_tolerance_ppm(
        ask.text(
            "Tolerance at the reference temperature?",
            "--tolerance",
            given=wish.tolerance,
            suggestion="",
            hint="For example 20ppm or 0.5 %; plus and minus.",
            fault=lambda text: _fault(lambda: parse_tolerance_ppm(text)),
        )
    )
    stability_ppm, range_c = _over_temperature(wish, ask)
    ageing = _promise(ask, "Ageing in a year, as 5ppm?", "--ageing", wish.ageing)
    load_pf = _load_pf(wish, ask, kind)
    title = described_part(nominal_hz, tolerance_ppm, kind).title
    part_id = ask.text(
        "What shall the part be called?",
        "ID",
        given=wish.id or (wish.out.stem if wish.out else None),
        suggestion=described_id(nominal_hz, tolerance_ppm, kind),
        fault=_id_fault,
    )
    return PartAnswers(
        id=part_id,
        title=wish.title or title,
        kind=kind,
        nominal_hz=nominal_hz,
        tolerance_ppm=tolerance_ppm,
        reference_c=wish.reference_c,
        stability_ppm=stability_ppm,
        range_c=range_c,
        ageing_ppm_per_year=ageing,
        jitter_ppm=_promise(
            ask, "Jitter, as 0.5ppm?", "--jitter", wish.jitter or _NONE
        ),
        load_pf=load_pf,
    )


def _over_temperature(
    wish: PartWish, ask: Questions
) -> tuple[float | None, tuple[float, float] | None]:
    question = "Stability over temperature, as 50ppm?"
    stability_ppm = _promise(ask, question, "--stability", wish.stability)
    if stability_ppm is None:
        if wish.range is not None:
            raise UsageError("--range is where --stability holds: give both")
        return None, None
    said = ask.text(
        "Over which range, in C?",
        "--range",
        given=wish.range,
        suggestion="-20 to 70" if ask.interactive else "",
        fault=lambda text: "" if _RANGE.fullmatch(text.strip()) else "as -20 to 70",
    )
    ends = _RANGE.fullmatch(said.strip())
    assert ends is not None
    return stability_ppm, (float(ends[1]), float(ends[2]))


def _promise(
    ask: Questions, question: str, option: str, given: str | None
) -> float | None:
    """Return a promise in ppm, None where the data sheet makes none."""
    said = ask.text(
        question,
        option,
        given=given,
        suggestion=_NONE,
        fault=lambda text: (
            "" if text == _NONE else _fault(lambda: parse_tolerance_ppm(text))
        ),
    )
    return None if said == _NONE else parse_tolerance_ppm(said)


def _load_pf(wish: PartWish, ask: Questions, kind: Kind) -> float | None:
    if kind not in _CRYSTALS:
        if wish.load_pf is not None:
            raise UsageError(f"a {device_words(kind)} has no --load-pf; leave it out")
        return None
    return ask.number(
        "Load capacitance in pF?",
        "--load-pf",
        given=wish.load_pf,
        suggestion=_NONE,
        low=0.1,
        high=_MOST_PF,
    )


def _plausible_hz(text: str, kind: Kind) -> None:
    require_plausible(parse_frequency_hz(text), kind)


def _fault(read: Callable[[], object]) -> str:
    """Return why an answer cannot be read, empty when it can."""
    try:
        read()
    except (ValueError, UsageError) as error:
        return str(error)
    return ""


def _id_fault(text: str) -> str:
    if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", text):
        return ""
    return "letters, digits, dot, dash and underscore, a letter or digit first"


def _folder(wish: PartWish, ask: Questions) -> Path:
    """Return the folder the file goes into; `here` where there are configs already."""
    folders = {"here": Path("configs") / "parts"}
    user = user_folder()
    if user is not None:
        folders["user"] = user / "parts"
    beside = Path("configs").is_dir() or user is None
    chosen = ask.choice(
        "Where does its file go?",
        "--folder",
        given="here" if wish.dry_run else wish.folder,
        suggestion="here" if beside else "user",
        choices={word: str(path) for word, path in folders.items()},
    )
    return folders[chosen]


def _found(part_id: str) -> str | None:
    """Return the file that a part's name leads to, None when there is none."""
    try:
        return str(find("parts", part_id))
    except NotFoundError:
        return None


def _tell_next(part_id: str, path: Path, before: str | None) -> None:
    """Tell what to type next, and what else has the name."""
    by_name = _found(part_id)
    if before is not None and before not in (str(path), by_name):
        say(f"it takes precedence over the part of this name in {before}")
    named = part_id if by_name == str(path) else str(path)
    bench = "" if read_defaults().bench else " --bench BENCH"
    say(f"next: benchlog measure{bench} --part {named} --device ID")
