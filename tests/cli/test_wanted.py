"""Measuring without files: a part in a few words, a bench and a part remembered."""

import sqlite3
from pathlib import Path

import pytest

from benchlog.catalogue import described_id, described_part
from benchlog.cli.typed_values import Frequency
from benchlog.errors import UsageError
from benchlog.model import Kind
from benchlog.units import parse_frequency_hz

from .conftest import Line, document

WORDS = ("--nominal", "12MHz", "--tolerance", "20ppm")
SHORT = ("--device", "Y1", "--readings", "3", "--no-screen", "--json")


@pytest.fixture(scope="module")
def twelve(tmp_path_factory: pytest.TempPathFactory):
    """A bench with a 12 MHz crystal of +3 ppm."""
    line = Line(tmp_path_factory.mktemp("twelve"))
    options = (*WORDS, "--kind", "quartz", "--offset-ppm", "3")
    with line.bench(*options) as path:
        yield path


def test_a_part_in_three_words_is_judged_and_stored(line: Line, twelve: str) -> None:
    done = line.run("measure", "--bench", twelve, *WORDS, "--kind", "quartz", *SHORT)
    found = document(done)
    assert found["part"] == "12mhz-20ppm-quartz"
    assert found["nominal_hz"] == 12_000_000.0
    assert found["limit_ppm"] == 20.0
    assert "12 MHz +-20 ppm at 25 +-3 C" in done.stderr
    with sqlite3.connect(line.db) as file:
        rows = file.execute("select id, kind, nominal_hz from parts").fetchall()
    assert rows == [("12mhz-20ppm-quartz", "quartz", 12_000_000.0)]
    again = document(line.run("show", "1", "--json"))
    assert again["part"] == "12mhz-20ppm-quartz"


def test_without_a_kind_it_is_told_what_that_means(line: Line, twelve: str) -> None:
    done = line.run("measure", "--bench", twelve, *WORDS, *SHORT)
    assert document(done)["part"] == "12mhz-20ppm-other"
    assert "nothing is judged from readings outside 25 +-3 C" in done.stderr


def test_a_lot_of_a_part_without_a_file(line: Line, twelve: str) -> None:
    (line.folder / "ids").write_text("Y1\nY2\n")
    done = line.run(
        "inspect", "--bench", twelve, *WORDS, "--lot", "L", "--lot-size", "2",
        "--full", "--ids", "ids", "--json",
    )  # fmt: skip
    assert document(done)["part"] == "12mhz-20ppm-other"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--nominal", "12MHz"), "--nominal with --tolerance"),
        (("--kind", "quartz"), "--nominal with --tolerance"),
        ((*WORDS, "--part", "quartz-16mhz-30ppm"), "not both"),
        (("--nominal", "12m", "--tolerance", "20ppm"), "12 MHz for megahertz"),
        (("--nominal", "12MHz", "--tolerance", "20"), "20 ppm?"),
        (("--nominal", "12", "--tolerance", "20ppm", "--kind", "quartz"), "12 MHz"),
    ],
)
def test_words_that_describe_no_part(
    line: Line, words: tuple[str, ...], told: str
) -> None:
    done = line.run("measure", "--bench", "counter-tcp", *words, *SHORT)
    assert done.returncode == 2
    assert told in done.stderr
    assert not line.db.exists()


def test_the_same_words_give_the_same_id_and_other_words_another() -> None:
    ids = {
        described_id(hz, ppm, kind)
        for hz in (32_768.0, 12e6, 12_000_000.5)
        for ppm in (0.5, 20.0, 5000.0)
        for kind in Kind
    }
    assert len(ids) == 3 * 3 * len(Kind)
    assert described_id(32_768.0, 20.0, Kind.TUNING_FORK) == (
        "32.768khz-20ppm-tuning-fork"
    )


def test_a_resonator_of_some_hertz_is_asked_back() -> None:
    with pytest.raises(UsageError, match="16 MHz"):
        described_part(16.0, 20.0, Kind.QUARTZ)
    assert described_part(1.0, 20.0, Kind.OTHER).nominal_hz == 1.0


# --- defaults


def keep(line: Line, bench: str) -> None:
    done = line.run("defaults", "--bench", bench, "--part", "quartz-16mhz-30ppm")
    assert done.returncode == 0, done.stderr


def test_defaults_act_and_tell_so_and_an_option_wins(line: Line, bench: str) -> None:
    keep(line, bench)
    done = line.run("measure", *SHORT)
    assert document(done)["part"] == "quartz-16mhz-30ppm"
    whose = "(your defaults; change: benchlog defaults)"
    assert f"bench {bench}, part quartz-16mhz-30ppm {whose}" in done.stderr
    done = line.run("measure", "--part", "quartz-16mhz-50ppm", *SHORT)
    assert document(done)["part"] == "quartz-16mhz-50ppm"
    assert f"bench {bench} (your default;" in done.stderr
    done = line.run("measure", "--part", "quartz-16mhz-50ppm", "--bench", bench, *SHORT)
    assert "your default" not in done.stderr


def test_defaults_are_shown_changed_one_by_one_and_cleared(line: Line) -> None:
    line.run("defaults", "--part", "quartz-16mhz-30ppm")
    done = line.run("defaults", "--bench", "counter-tcp", "--json")
    found = document(done)
    assert (found["bench"], found["part"]) == ("counter-tcp", "quartz-16mhz-30ppm")
    assert document(line.run("defaults", "--clear", "--json"))["bench"] is None
    assert "no defaults" in line.run("defaults").stdout


def test_what_does_not_load_is_not_kept(line: Line) -> None:
    done = line.run("defaults", "--part", "quartz-16mhz-3ppm")
    assert done.returncode == 2 and "quartz-16mhz-30ppm" in done.stderr
    assert document(line.run("defaults", "--json"))["part"] is None


def test_a_path_that_is_kept_holds_in_every_folder(line: Line, bench: str) -> None:
    (line.folder / "b.toml").write_bytes(Path(bench).read_bytes())
    found = document(line.run("defaults", "--bench", "b.toml", "--json"))
    assert found["bench"] == str(line.folder / "b.toml")


def test_what_judges_old_runs_looks_at_no_default(line: Line, bench: str) -> None:
    words = ("measure", "--bench", bench, "--part", "quartz-16mhz-30ppm", *SHORT)
    before = document(line.run(*words))
    line.run("defaults", "--part", "quartz-20mhz-10ppm")
    for command in ("judge", "show", "runs", "fitness"):
        done = line.run(command, *(() if command == "runs" else ("1",)), "--json")
        assert "your default" not in done.stderr
        assert "quartz-20mhz-10ppm" not in done.stdout
    assert document(line.run("show", "1", "--json"))["part"] == before["part"]


def test_without_bench_or_default_the_ways_are_told(line: Line) -> None:
    done = line.run("measure", "--device", "Y1")
    assert done.returncode == 2
    for way in ("--bench", "benchlog bench new", "benchlog defaults --bench"):
        assert way in done.stderr
    done = line.run("measure", "--bench", "counter-tcp", "--device", "Y1")
    for way in ("--part", "--nominal", "benchlog parts new", "benchlog defaults"):
        assert way in done.stderr


def test_a_broken_file_of_defaults_is_named_with_its_remedy(line: Line) -> None:
    line.run("defaults", "--part", "quartz-16mhz-30ppm")
    (line.folder / "config" / "benchlog" / "defaults.toml").write_text("bench = \n")
    done = line.run("measure", "--device", "Y1")
    assert done.returncode == 2
    assert "defaults.toml: line 1" in done.stderr
    assert "benchlog defaults --clear" in done.stderr
    assert line.run("defaults", "--clear").returncode == 0
    assert "no defaults" in line.run("defaults").stdout


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("16", "16 is taken as 16 Hz; write 16M for 16 MHz\n"),
        ("1", "1 is taken as 1 Hz; write 1M for 1 MHz\n"),
        ("32768", ""),
        ("1Hz", ""),
        ("16e6", ""),
    ],
)
def test_a_bare_number_is_told_as_it_was_taken(typed, said, capsys):
    assert Frequency().convert(typed, None, None) == parse_frequency_hz(typed)
    assert capsys.readouterr().err == said
