"""Pictures say what a name is, whatever it is, and whatever lies in the folder."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from matplotlib import rc_context

from benchlog.plotting.pictures import new_figure, save

FORMULA = r"$\nosuch{$ $x^2$"
DRAWS = """
import sys
from pathlib import Path
from benchlog.plotting.pictures import new_figure, save
figure, (axes,) = new_figure()
axes.plot([1, 2], [3, 4], label="KX-1")
axes.legend(frameon=False)
save(figure, Path(sys.argv[1]), "a picture")
"""


def test_a_name_is_no_formula_wherever_it_stands(tmp_path):
    figure, (axes,) = new_figure()
    axes.plot([1, 2], [3, 4], label=f"legend {FORMULA}")
    axes.set_title(f"title {FORMULA}")
    axes.annotate(f"beside {FORMULA}", (1, 3))
    axes.legend()
    save(figure, tmp_path / "x.svg", "a picture")
    drawn = (tmp_path / "x.svg").read_text()
    assert all(f"{where} {FORMULA}" in drawn for where in ("title", "beside", "legend"))


def drawn_in(folder, name):
    """A picture as a process of its own draws it in a folder."""
    out = folder / name
    environment = {**os.environ, "SOURCE_DATE_EPOCH": "0"}
    done = subprocess.run(
        [sys.executable, "-P", "-c", DRAWS, str(out)],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return out.read_text()


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The picture as it is drawn where no file says anything."""
    out = tmp_path_factory.mktemp("plain") / "plain.svg"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["-c", str(out)])
        exec(DRAWS, {})
    return out.read_text()


THEIRS = (
    "text.usetex: True\ntext.latex.preamble: \\input{/etc/passwd}\n"
    "axes.facecolor: red\naxes.linewidth: 9\n"
)


def test_settings_of_others_have_no_say_in_a_picture(plain, tmp_path, monkeypatch):
    """As whoever imports matplotlib before us has it in a folder with such a file."""
    theirs = tmp_path / "matplotlibrc"
    theirs.write_text(THEIRS)
    out = tmp_path / "theirs.svg"
    monkeypatch.setattr(sys, "argv", ["-c", str(out)])
    with rc_context(fname=theirs):
        exec(DRAWS, {})
    assert out.read_text() == plain


@pytest.mark.campaign  # as a process; a pipe there: `test_nor_where_letters_come_first`
def test_a_file_of_the_folder_has_no_say_in_a_picture(plain, tmp_path):
    """matplotlib reads `matplotlibrc` where we are; this one would start TeX."""
    Path(tmp_path / "matplotlibrc").write_text(THEIRS)
    assert drawn_in(tmp_path, "theirs.svg") == plain


@pytest.mark.campaign  # another pipe: `test_nor_where_letters_come_first`
def test_a_pipe_in_the_folder_is_not_waited_for(plain, tmp_path):
    """matplotlib opened it when it was imported, and nobody writes to it."""
    os.mkfifo(tmp_path / "matplotlibrc")
    assert drawn_in(tmp_path, "theirs.svg") == plain


def test_nor_where_letters_come_first(tmp_path):
    os.mkfifo(tmp_path / "matplotlibrc")
    draws = "from benchlog.pages.letters import font_file; print(font_file('').name)"
    words = [sys.executable, "-P", "-c", draws]
    done = subprocess.run(
        words, cwd=tmp_path, capture_output=True, text=True, timeout=100, check=False
    )
    assert done.stdout == "DejaVuSans.ttf\n"


@pytest.mark.parametrize("kind", ["svg", "pdf"])
def test_a_picture_saved_twice_is_the_same_file(kind, tmp_path):
    """Each figure is made anew, as by two commands: marks and clips have ids in it."""
    files = [tmp_path / f"{name}.{kind}" for name in "ab"]
    for path in files:
        figure, (axes,) = new_figure(size=(2.0, 1.0))
        axes.plot([1, 2], [3, 4], marker="o")
        save(figure, path, "a picture")
    one, two = (path.read_bytes() for path in files)
    assert one == two
