"""A bench that goes on measuring while its database is sent on; stdin ends it.

    python tests/forwarding/busy_bench.py DATABASE SEED

Runs of random length, begun, broken off and resumed; corrections long after; a clock
that is set back now and then. Prints how many runs and readings it committed.
"""

import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from forwarding.made_benches import add_run, amend, clock_from
from seeds import seeded_random

from benchlog.clock import host_sleep
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer


def main(path: Path, seed: str) -> None:
    chance = seeded_random(seed)
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(1), ended.set())).start()
    clock = clock_from()
    runs: list[int] = []
    readings = 0
    with Writer.open(path, clock) as writer:
        while not ended.is_set():
            number = chance.choice((1, 30, 400, 3_000, 20_000))
            runs.append(add_run(writer, clock, f"B{len(runs):05d}", number))
            readings += number
            for _ in range(chance.randrange(3)):
                amend(writer, chance.choice(runs), chance.choice(("", "knocked")))
            if chance.random() < 0.2:
                text = f"somebody {len(runs)}"
                row = Amendment(kind="operator", reason="typed", new=text)
                writer.amend(chance.choice(runs), row)
            if chance.random() < 0.1:  # a clock that is set back by up to a day
                clock.now_utc_ns -= chance.randrange(86_400) * 10**9
            host_sleep(chance.choice((0.0, 0.02, 0.1, 0.3)))
    print(len(runs), readings)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
