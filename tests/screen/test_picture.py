"""The picture of a screen: whole, by itself, small, always the same."""

import re
import xml.etree.ElementTree as ET

import pytest
from screen.scenes import Scene, Stage

from benchlog.errors import NotFoundError, UsageError
from benchlog.screen.picture import main, picture

SCENE = Scene(device='<Q & "1">', events=[(20.0, "mark", "touched <the> can")])


def words(svg: str) -> list[str]:
    root = ET.fromstring(svg)
    return [text.text or "" for text in root.iter("{http://www.w3.org/2000/svg}text")]


def test_picture_needs_nothing_from_elsewhere(stage: Stage, tmp_path):
    out = tmp_path / "live.svg"
    picture(stage.database, stage.play(SCENE), out)
    svg = out.read_text()
    assert len(svg) < 150_000
    said = words(svg)
    for word in ("<Q", "&", '"1">', "SIMULATED", "PASS", "✓", "<the>", "limits", "±30"):
        assert word in said, word
    links = re.findall(r"https?://[^\s\"')]+", svg)
    assert set(links) == {"http://www.w3.org/2000/svg"}
    assert "@font-face" not in svg
    assert "url(http" not in svg
    assert set(re.findall(r"font-family:\s*([^;]+);", svg)) == {"monospace"}
    assert "<circle" not in svg


def test_same_run_gives_the_same_picture(stage: Stage, tmp_path):
    run_id = stage.play(SCENE)
    for name in ("one.svg", "two.svg"):
        picture(stage.database, run_id, tmp_path / name, (80, 24))
    assert (tmp_path / "one.svg").read_text() == (tmp_path / "two.svg").read_text()


def test_words_stand_in_their_cells(stage: Stage, tmp_path):
    out = tmp_path / "live.svg"
    picture(stage.database, stage.play(SCENE), out, (80, 24))
    for x, length, word in re.findall(
        r'x="([\d.]+)" y="[\d.]+" textLength="([\d.]+)">([^<]+)<', out.read_text()
    ):
        assert float(x) / 12.2 == pytest.approx(round(float(x) / 12.2), abs=1e-3), word
        assert float(x) + float(length) <= 80 * 12.2 + 0.1, word


def test_command_line_of_the_picture(stage: Stage, tmp_path, capsys):
    run_id = stage.play(SCENE)
    out = tmp_path / "live.svg"
    given = [str(stage.database), str(run_id), str(out)]
    assert main([*given, "--size", "100x30"]) == 0
    assert out.exists()
    assert main([str(stage.database), "9", str(out)]) == NotFoundError.exit_code
    assert "there is no run '9'" in capsys.readouterr().err
    assert main([*given, "--size", "10x3"]) == UsageError.exit_code
    with pytest.raises(SystemExit):
        main([*given, "--size", "wide"])
