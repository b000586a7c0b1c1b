"""The timed tests, so many times over, beside busy loops; prints a row for each time.

    python tests/beside_load.py TIMES [--loops N] [--in-one N] [PYTEST WORDS ...]

With --in-one a process of pytest has all tests so often, one time after the other: no
time is lost in between, when few tests are left. A row is a process; it has the last of
its times, the seconds, the number of tests that passed, and the names of those that did
not. Without further words the tests are the timed ones of the suite, eight at once. The
exit code is 1 if any failed.
"""

import argparse
import re
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

from tiers import TIMED

from benchlog.clock import host_clock

HERE = Path(__file__).parent
EIGHT_AT_ONCE = ("-n", "8", "--dist", "worksteal")
FAILED = re.compile(r"^(?:FAILED|ERROR) (\S+)", re.MULTILINE)
PASSED = re.compile(r"(\d+) passed")


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("times", type=int)
    words.add_argument("--loops", type=int, default=2)
    words.add_argument("--in-one", type=int, default=1)
    said, more = words.parse_known_args()
    # -P: `drivers` is a folder of tests here, and not the one in the working folder
    program = [sys.executable, "-P", "-m", "pytest", "-q", "-p", "no:cacheprovider"]
    program += ["-p", "many_times", "--times", str(said.in_one)]
    timed = [str(HERE / one) for one in TIMED]
    failed_times = 0
    print("| time | seconds | passed | failed |\n| ---: | ---: | ---: | --- |")
    with ExitStack() as loops:
        for _ in range(said.loops):
            loop = subprocess.Popen([sys.executable, "-c", "while True: pass"])
            loops.callback(loop.wait)
            loops.callback(loop.kill)
        for number in range(said.in_one, said.times + 1, said.in_one):
            began_ns = host_clock().mono_ns()
            done = subprocess.run(
                [*program, *(more or (*EIGHT_AT_ONCE, *timed))],
                capture_output=True,
                text=True,
                check=False,
            )
            took_s = (host_clock().mono_ns() - began_ns) * 1e-9
            failed = FAILED.findall(done.stdout)
            passed = PASSED.findall(done.stdout)
            failed_times += done.returncode != 0
            print(
                f"| {number} | {took_s:.0f} | {passed[-1] if passed else 0} "
                f"| {', '.join(failed) or '-'} |",
                flush=True,
            )
            if done.returncode != 0:
                print(done.stdout, file=sys.stderr, flush=True)
    return bool(failed_times)


if __name__ == "__main__":
    sys.exit(main())
