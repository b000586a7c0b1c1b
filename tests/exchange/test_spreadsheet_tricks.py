"""What a stranger's text may do to whoever opens a CSV file: nothing."""

import csv
import re
import unicodedata

import pytest
from store.making import begin, reading

from benchlog.cli.commands.results import csv_text
from benchlog.exchange.export.run_export import export_run
from benchlog.exchange.spreadsheet_cells import cell, comment, comment_of, text_of
from benchlog.model import Event
from benchlog.store.reader import Reader

# Unicode Standard Annex 9, table 4 (explicit formatting), Annex 31 2.3 and the
# Default_Ignorable_Code_Point property: they turn, hide or join what is around them.
TURNING = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
UNSEEN = "\u00ad\u200b\u200c\u200d\u2060\u2061\u206a\u206f\ufeff\ufff9\ufffa\ufffb"
FILLERS = "\u115f\u1160\u180e\u3164\ufe0f\uffa0\U000e0001\U000e0061\U000e01ef"
TRICKS = (
    "=cmd|' /C calc'!A0", "+1+cmd", "-2+3", "@SUM(1)", "\t=1", "\r=1", " =1", "＝1+1",
    "a;=1", "a,=1", "a|=1", 'a"=1', "a\n=1", "'=1", "\x1b]0;x\x07", "a\u2028=1",
)  # fmt: skip


@pytest.mark.parametrize("ch", TURNING + UNSEEN + FILLERS, ids=unicodedata.name)
def test_no_cell_turns_or_hides_what_is_in_it(ch):
    text = f"KX-{ch}0412"
    written = cell(text)
    assert written.isascii()
    assert text_of(written) == text
    line = comment("note", {"text": text})
    assert line.isascii()
    assert comment_of(line.strip()) == ("note", {"text": text})


@pytest.mark.parametrize("text", TRICKS)
def test_a_run_with_a_hostile_text_everywhere(writer, tmp_path, text):
    hostile = f"{text}\u202e"
    run, segment = begin(writer, hostile, operator=hostile, note=hostile)
    writer.commit(
        [
            (run, segment, reading(0, raw=hostile)),
            (run, segment, Event(1, 2, "mark", hostile, hostile, hostile.encode())),
        ]
    )
    out = tmp_path / "run.csv"
    with Reader.open(writer.path) as reader:
        export_run(reader, run, "csv", out)
    content = out.read_text(encoding="utf-8")
    assert not set(content) & set(TURNING + UNSEEN + FILLERS + "\x1b\x07\r\t\u2028")
    for line in content.splitlines():
        for found in csv.reader([line]):
            for one in found:
                assert not re.match(
                    r"[=@＝＋－＠]|[-+](?![0-9.]+([eE][-+]?[0-9]+)?$)", one
                )
        assert ";" not in line and "|" not in line


def test_a_table_of_results_is_as_harmless():
    names = [
        "device", "part", "lot", "begun_utc", "run", "offset_ppm", "u_ppm",
        "limit_ppm", "verdict", "counts",
    ]  # fmt: skip
    from benchlog.cli.commands import results

    row = dict.fromkeys((*results.COLUMNS, *names), "=1\u202e")
    assert csv_text([row]).isascii()
