"""Trim a line of chips twice: undisturbed, and killed half way and continued.

    PYTHONPATH=tests python tests/trim/line_campaign.py 500 [PACE] [--keep]

Prints the table of `LINE.md`; `--keep` writes that file. Both lines have the same chips
(a register of two overlapping ranges each) and noise of their own. A chip takes some
fifty bench seconds and half a second of processor time in either line: PACE 30 instead
of 10 saves most of the time on a computer with nothing else to do. On a busy one it
costs chips, because answers come too late by bench time then.
"""

import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from trim.line_scene import CALMER, SCALE, ChipLine, a_line

from benchlog.clock import HostClock

HEAD = """# A line of chips, killed half way and continued

Written by `PYTHONPATH=tests python tests/trim/line_campaign.py {n} {scale:g} --keep`.
{n} simulated chips go through `benchlog trim --lot R1 --ids -`, each with a register of
its own (two overlapping ranges of uneven steps, 3,500 ppm in the middle), at {scale:g}
times the pace, with {calm:g} of a usual RC oscillator's noise and no temperature law:
the register alone tells which code is best. One line runs undisturbed; the
other is killed (SIGKILL) in the middle of chip {half}, and the same ids are handed over
again from the first one. Equal: as many chips as have the same code in both. Best: the
register's best safe code, or one no more than a tenth of a step worse.

"""


def whole(line: ChipLine, n: int, out: dict) -> None:
    began = HostClock().mono_ns()
    out["undisturbed"] = line.trim(range(n))[0], line.codes(), line.runs()
    out["s"] = (HostClock().mono_ns() - began) / 1e9


def killed(line: ChipLine, n: int, out: dict) -> None:
    assert line.trim(range(n), kill_in=n // 2) is None
    out["before"] = line.codes()
    out["killed"] = line.trim(range(n))[0], line.codes(), line.runs()


def best_of(line: ChipLine, codes: dict[str, int]) -> int:
    """Count the chips whose code is as good as the best by their register."""
    safe = [*range(111), *range(128, 221)]
    good = 0
    for device, code in codes.items():
        line.bench.insert("A", 0.0, f"chip-{int(device[2:])}")
        register = line.bench.firmware.register_ppm
        best = min(abs(register[one]) for one in safe)
        good += abs(register[code]) <= best + 350.0
    return good


def campaign(n: int, pace: float) -> str:
    with (
        tempfile.TemporaryDirectory() as one,
        tempfile.TemporaryDirectory() as two,
        a_line(Path(one), scale=pace) as quiet,
        a_line(Path(two), scale=pace) as broken,
    ):
        quiet.popen = broken.popen = subprocess.Popen
        out: dict = {}
        lines = [
            threading.Thread(target=whole, args=(quiet, n, out)),
            threading.Thread(target=killed, args=(broken, n, out)),
        ]
        for each in lines:
            each.start()
        for each in lines:
            each.join()
        exit_0, codes_0, runs_0 = out["undisturbed"]
        exit_1, codes_1, runs_1 = out["killed"]
        kept = sum(codes_1[device] == code for device, code in out["before"].items())
        equal = sum(codes_1.get(device) == code for device, code in codes_0.items())
        rows = [
            ("undisturbed", exit_0, len(codes_0), len(runs_0), best_of(quiet, codes_0)),
            ("killed", exit_1, len(codes_1), len(runs_1), best_of(broken, codes_1)),
        ]
    text = HEAD.format(n=n, scale=pace, calm=CALMER, half=n // 2)
    text += "| line | exit code | chips with a code | runs | best |\n"
    text += "|---|---|---|---|---|\n"
    text += "".join(f"| {' | '.join(map(str, row))} |\n" for row in rows)
    text += (
        f"\nTrimmed before the kill and unchanged after it: {kept} of "
        f"{len(out['before'])}. Equal codes in both lines: {equal} of {n}. "
        f"{out['s'] / n:.2f} s of real time a chip, two lines side by side.\n"
    )
    return text


if __name__ == "__main__":
    numbers = [float(word) for word in sys.argv[1:] if word[0].isdigit()]
    found = campaign(int(numbers[0]), (*numbers, SCALE)[1])
    print(found)
    if "--keep" in sys.argv:
        Path(__file__).with_name("LINE.md").write_text(found)
