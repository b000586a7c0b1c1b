"""A burn that outlives its keeper: nobody touches the chip until it has ended."""

import pytest
from trim.line_scene import a_line, hear_one_of
from trim.test_line import ordered, programmer_of, trimmed_once_free, with_burn
from waiting import wait_for


@pytest.fixture
def line(tmp_path):
    with a_line(tmp_path) as made:
        yield made


@pytest.mark.campaign  # every suite meets it in test_line.py, on its way
def test_the_line_is_in_use_while_the_burn_of_a_killed_keeper_goes_on(line):
    """Before, codes were set, and the supply was taken away, in the midst of it."""
    slowly = '"$0" chip burn "$BENCHLOG_CODE"; sleep 4; : > over'
    with_burn(line, command=["/bin/sh", "-c", slowly, programmer_of(line), "{code}"])
    with line.start("--burn", "--yes") as process:
        line.bench.insert("A", 0.0, "chip-4")
        process.stdin.write("C-004\n")
        process.stdin.flush()
        hear_one_of(process, ("is burned now",))
        wait_for(lambda: ordered(line))
        process.kill()
        process.wait(20)
    code = line.bench.firmware.code
    with line.start("--burn", "--yes") as process:
        process.stdin.write("C-004\n")
        _, told = process.communicate(timeout=60)
    assert not (line.folder / "over").exists()
    assert process.returncode == 1 and "in use" in told, told
    assert "what it had begun, such as a burn, goes on: wait" in told
    assert (line.bench.firmware.code, len(ordered(line))) == (code, 1)
    wait_for((line.folder / "over").exists)
    assert trimmed_once_free(line)[0].returncode == 0
    assert len([word for word in ordered(line) if "burn" in word]) == 1
