"""Finding files by name or path, and reading them whatever they are."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchlog.catalogue import find, load_part, names
from benchlog.catalogue.places import MAX_BYTES, SIZE_VARIABLE, read_toml
from benchlog.errors import ConfigError, NotFoundError, UsageError

PART = """
[part]
id = "mine"
title = "mine"
kind = "quartz"
nominal_hz = {nominal_hz}
[limits]
tolerance_ppm = 10
"""


def settings_folder():
    """Ask in another process, so that the environment of this test holds there."""
    code = "import platformdirs; print(platformdirs.user_config_dir('benchlog', False))"
    asked = [sys.executable, "-c", code]
    return Path(
        subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()
    )


def test_names_are_sorted_and_of_one_kind():
    parts = names("parts")
    assert parts == tuple(sorted(parts))
    assert "quartz-16mhz-30ppm" in parts
    assert "scpi-1999" in names("dialects")
    assert "scpi-1999" not in parts


def test_search_order(write):
    folder = settings_folder()
    (folder / "parts").mkdir(parents=True)
    shipped = load_part("quartz-16mhz-30ppm")
    users = folder / "parts" / "quartz-16mhz-30ppm.toml"
    users.write_text(PART.format(nominal_hz=1e6))
    assert load_part("quartz-16mhz-30ppm").nominal_hz == 1e6
    write("configs/parts/quartz-16mhz-30ppm.toml", PART.format(nominal_hz=2e6))
    assert load_part("quartz-16mhz-30ppm").nominal_hz == 2e6
    other = write("quartz-16mhz-30ppm.toml", PART.format(nominal_hz=3e6))
    assert load_part(other).nominal_hz == 3e6
    assert load_part("quartz-16mhz-30ppm.toml").nominal_hz == 3e6
    assert shipped.nominal_hz == 16e6


def given_away(path, monkeypatch):
    """Let a file or folder be another user's: truly so where we may."""
    if os.geteuid() == 0:
        os.chown(path, 65_534, 65_534, follow_symlinks=False)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: 99_999)


@pytest.mark.parametrize("theirs", ["", "/parts", "/parts/mine.toml"])
def test_another_user_s_file_here_goes_by_no_name(write, monkeypatch, theirs):
    """In a folder like /tmp anybody may put a bench under the name of yours."""
    folder = settings_folder()
    (folder / "parts").mkdir(parents=True)
    path = write("configs/parts/mine.toml", PART.format(nominal_hz=2e6))
    given_away(f"configs{theirs}", monkeypatch)
    assert "mine" not in names("parts")
    with pytest.raises(ConfigError, match=r"mine\.toml.* belongs to another user"):
        load_part("mine")
    assert load_part(path).nominal_hz == 2e6  # as the path it is, it was meant
    (folder / "parts" / "mine.toml").write_text(PART.format(nominal_hz=1e6))
    assert load_part("mine").nominal_hz == 1e6


def test_own_files_are_among_the_names(write):
    write("configs/parts/mine.toml", PART.format(nominal_hz=1e6))
    write("configs/parts/mine.txt", "no part")
    assert "mine" in names("parts")
    assert load_part("mine").id == "mine"


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("quartz-16mhz-30pm", "quartz-16mhz-30ppm"),
        ("rc-8mhz-trimed", "rc-8mhz-trimmed"),
        ("tuning-fork-32khz", "tuning-fork-32khz-10ppm"),
    ],
)
def test_near_matches_of_names(name, near):
    with pytest.raises(NotFoundError, match=f"there is no part .*{near}"):
        load_part(name)


def test_near_matches_of_paths(write):
    write("folder/mine.toml", PART.format(nominal_hz=1e6))
    with pytest.raises(NotFoundError, match=r"part file .*folder/mine\.toml"):
        load_part("folder/mime.toml")


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "~", "\0", "a\0b", "x" * 5000, "*", "quartz*", "\udcff", "nul\n"],
)
def test_odd_names_lead_nowhere(name):
    with pytest.raises(NotFoundError):
        find("parts", name)


@pytest.mark.parametrize(
    "path",
    [
        "../x",
        "/",
        "../" * 20 + "etc/passwd",
        "a/\0/b.toml",
        "x" * 5000 + ".toml",
        "./x",
    ],
)
def test_odd_paths_are_refused_as_paths(path):
    with pytest.raises((NotFoundError, ConfigError)):
        load_part(path)


def test_a_name_never_leads_out_of_the_folders(write):
    """`../secret` has a separator: it is taken as the path it is, from here."""
    write("configs/secret.toml", PART.format(nominal_hz=1e6))
    with pytest.raises(NotFoundError, match="part file"):
        load_part("../secret")
    with pytest.raises(NotFoundError, match="there is no part 'secret'"):
        load_part("secret")


def whole_file_problem(path):
    with pytest.raises(ConfigError) as caught:
        read_toml(Path(path))
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    return problem


def test_a_folder(lonely):
    (lonely / "x.toml").mkdir()
    assert "folder" in whole_file_problem(lonely / "x.toml").found


def test_a_pipe_is_not_waited_for(lonely):
    os.mkfifo(lonely / "x.toml")
    assert "not a regular file" in whole_file_problem(lonely / "x.toml").found


def test_a_device_without_end():
    assert "not a regular file" in whole_file_problem("/dev/zero").found


def test_a_link_to_nowhere(lonely):
    (lonely / "x.toml").symlink_to("nowhere.toml")
    assert whole_file_problem(lonely / "x.toml").expected == "a readable TOML file"


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs Linux")
def test_a_file_that_fails_while_it_is_read():
    """The first page of a process is not mapped: reading it is an I/O error."""
    assert "cannot be read" in whole_file_problem("/proc/self/mem").found


def test_too_long(write):
    path = write("x.toml", b"#" * (MAX_BYTES + 1))
    assert "too long" in whole_file_problem(path).found
    assert read_toml(Path(write("y.toml", b"#" * MAX_BYTES))) == {}


def test_a_longer_file_may_be_allowed(write, monkeypatch):
    path = write("x.toml", b"#" * (MAX_BYTES + 1))
    assert f"{SIZE_VARIABLE}=NUMBER" in whole_file_problem(path).expected
    monkeypatch.setenv(SIZE_VARIABLE, str(MAX_BYTES + 1))
    assert read_toml(Path(path)) == {}
    monkeypatch.setenv(SIZE_VARIABLE, "much")
    with pytest.raises(UsageError, match="is no number of bytes: 'much'"):
        read_toml(Path(path))


def test_a_number_has_at_most_64_characters(write):
    assert read_toml(Path(write("x.toml", "a = 1." + "0" * 62)))
    path = write("y.toml", "a = 1." + "0" * 63)
    assert "a number of more than 64 characters" in whole_file_problem(path).found


def test_dotted_keys_that_would_take_minutes(write):
    path = write("x.toml", "a=1\n" + "a." * 30_000 + "a=1")
    problem = whole_file_problem(path)
    assert (problem.key, problem.found) == ("line 2", "found too many dots")


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(write):
    path = write("x.toml", b"\xef\xbb\xbfa = 1\r\nb = 2\r\n")
    assert read_toml(Path(path)) == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"a = 1\nb = \xff\n", "line 2", "not text"),
        (b"\x00\x01\x02", "line 1", "not TOML"),
        (b"a = 1\n\nb = = 2\n", "line 3", "not TOML"),
        (b"a = 1\na = 2\n", "line 2", "not TOML"),
        (b"[part\n", "line 1", "not TOML"),
        (b"a = 1\nb =", "line 2", "not TOML"),
        (b"a = " + b"[" * 5000, "(whole file)", "nested"),
        (b"a = " + b"9" * 5000, None, "not TOML"),
    ],
)
def test_syntax_errors_name_the_line(write, content, line, words):
    problem = whole_file_problem(write("x.toml", content))
    assert words in problem.found
    assert line is None or problem.key == line


def test_a_file_that_lies_here_is_hinted_at(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mybench.toml").write_text("")
    with pytest.raises(NotFoundError, match=r"\./mybench\.toml lies here"):
        find("benches", "mybench")


def test_numbers_are_not_guessed():
    assert "did you mean" not in str(NotFoundError("run", "99", ["9", "98"]))


def test_known_numbers_are_in_their_order_and_as_spans():
    runs = [*map(str, range(1, 14)), "20", "22", "23"]
    said = str(NotFoundError("run", "99", runs))
    assert said.endswith("known: 1 to 13, 20, 22 to 23")
    odd = [str(number) for number in range(1, 101, 2)]
    said = str(NotFoundError("run", "200", odd))
    assert said.endswith("known: …, " + ", ".join(odd[-12:])), "the newest"


def test_a_mistyped_word_of_a_long_name_is_found():
    shelf = names("parts")
    said = str(NotFoundError("part", "quarz", shelf))
    wanted = [name for name in shelf if name.startswith("quartz")]
    assert f"did you mean {', '.join(wanted[:3])}, …?" in said
    assert "tuning-fork-32khz-20ppm?" in str(NotFoundError("part", "Tuning", shelf))
    assert "did you mean" not in str(NotFoundError("part", "zz", shelf))


def test_a_long_list_of_known_names_says_that_it_goes_on():
    many = [f"part-{letter}" for letter in "abcdefghijklmnop"]
    said = str(NotFoundError("part", "zzzz", many))
    assert said.endswith("part-l, … (16 in all)") and "part-m" not in said
    assert str(NotFoundError("part", "zzzz", many[:12])).endswith("part-l")
