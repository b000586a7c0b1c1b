"""Deaths at random moments of a sequence: the safe state, going on, the same table.

    python tests/recorder/rack/death_campaign.py [N] [SEED] [--keep]

Each time a rack is served (`death_rack.py`) and taken through a short sequence by
`benchlog qualify`, each in processes of their own. At a random moment
somebody dies. The rack's true state is looked at from outside until it is safe; the
sequence is gone on with by `qualify --resume-last`. The last table is in DEATHS.md.
"""

import signal
import sys
import tempfile
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from recorder.rack.death_scene import (
    CUT_S,
    KINDS,
    SCALE,
    ServedRack,
    apart,
    begun,
    die,
    ended,
    gone_on_with,
    measured_twice,
    process_at,
    wrong_ids,
)
from seeds import seeded_random

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.units import NS_PER_S

SAFE_S = 10.0
"""Real seconds within which the safe state must be reached; what was promised."""
LATE_S = 30.0  # a safe state that does not come is not waited for any longer
RACK_SEED = 5
_OFF = 2.0
"""Of U of both tables: a figure that is farther off is a fault. Beyond 1 there may be
one in twenty, since U is of 95 %."""
KEPT = Path(__file__).with_name("DEATHS.md")


@dataclass(kw_only=True)
class Outcome:
    """One death and what came of it. `safe_s` counts from the death; for a chamber
    that was cut, from when it could be reached again, and `off_s` is the supply's.
    """

    kind: str
    at_s: float
    step: str = ""
    safe_s: float = float("inf")
    off_s: float = float("inf")
    readings: int = 0
    farthest: float = 0.0
    beyond: int = 0
    live: bool = False
    apart: list[str] = field(default_factory=list)
    figures: int = 0
    faults: list[str] = field(default_factory=list)


def undisturbed(folder: Path):
    """Return the table of a sequence that nothing happened to, and its real seconds."""
    with ServedRack(folder, RACK_SEED) as rack:
        began = host_deadline(0.0)
        status, found, told = ended(begun(folder))
        took_s = _since_s(began)
        assert status in (0, 3, 4), told
        assert rack.safe()
        assert measured_twice(folder / "q.db") == []
        assert wrong_ids(folder)[1] == []
    return found, took_s


def one_death(folder: Path, kind: str, at_s: float, base) -> Outcome:
    """Let it happen and return what came of it."""
    outcome = Outcome(kind=kind, at_s=at_s)
    with ServedRack(folder, RACK_SEED) as rack:
        keeper = begun(folder)
        host_sleep(at_s)
        was_safe = rack.safe()
        died = die(kind, rack, keeper)
        if not died or (was_safe and rack.safe()):  # nothing was set, or no more
            outcome.off_s = outcome.safe_s = 0.0
        else:
            outcome.live = True
            _wait_until_safe(rack, outcome, keeper)
        if kind == "keeper stopped":
            keeper.send_signal(signal.SIGCONT)
        _status, found, told = ended(keeper)
        if "sequence complete" not in told or kind.startswith("keeper"):
            found = _gone_on(folder, outcome) or found
        if not rack.safe():
            outcome.faults.append("not safe at the end")
        left = [name for name, port in rack.ports.items() if process_at(port, 0)]
        if left:
            outcome.faults.append(f"somebody is still connected to {left}")
    _audit(folder, outcome, found, base)
    return outcome


def _wait_until_safe(rack: ServedRack, outcome: Outcome, keeper) -> None:
    """Look from outside until all is safe; note when."""
    died = host_deadline(0.0)
    away_s = CUT_S if outcome.kind == "chamber's line cut" else 0.0
    while (now_s := _since_s(died)) < LATE_S:
        state = rack.ask("state")
        if state["supply_on"]:
            outcome.off_s = outcome.safe_s = float("inf")
        else:
            outcome.off_s = min(outcome.off_s, now_s)
            if state["set_point_c"] == state["home_c"]:
                outcome.safe_s = max(0.0, now_s - away_s)
                if now_s > 0.5 or keeper.poll() is not None:
                    return
        host_sleep(0.05)


def _since_s(moment: Deadline) -> float:
    return (host_deadline(0.0).at_ns - moment.at_ns) / NS_PER_S


def _gone_on(folder: Path, outcome: Outcome):
    """Go on with it, or begin where nothing had been begun; return the document."""
    status, found, told = ended(gone_on_with(folder))
    if status and found is None:  # it died before anything was begun
        status, found, told = ended(begun(folder))
    if status not in (0, 3, 4) or "sequence complete" not in told:
        outcome.faults.append(f"not gone on with ({status}): {told[-300:]}")
    return found


def _audit(folder: Path, outcome: Outcome, found, base) -> None:
    faults = outcome.faults
    if outcome.off_s > SAFE_S or outcome.safe_s > SAFE_S:
        faults.append(f"safe after {outcome.off_s:.1f} s, {outcome.safe_s:.1f} s")
    if found is None:
        faults.append("no table")
        return
    faults += measured_twice(folder / "q.db")
    outcome.readings, wrong = wrong_ids(folder)
    faults += wrong[:5]
    distances = apart(found, base)
    outcome.figures = len(distances)
    outcome.farthest = max(far for _, far in distances)
    outcome.beyond = sum(far > 1 for _, far in distances)
    outcome.apart = [f"{name}: {far:.2f} U" for name, far in distances if far > 1]
    faults += [f"{name} is {far:.2f} U off" for name, far in distances if far > _OFF]


def campaign(number: int, seed: int):
    """Yield each outcome."""
    rng = seeded_random(f"deaths {seed}")
    with tempfile.TemporaryDirectory() as top:
        found, took_s = undisturbed(_folder(top, "base"))
        again, _ = undisturbed(_folder(top, "again"))
        far = max(far for _, far in apart(again, found))
        print(f"undisturbed: {took_s:.1f} s; two differ by {far:.2f} U at most")
        for k in range(number):
            kind = KINDS[k % len(KINDS)] if k < len(KINDS) else rng.choice(KINDS)
            at_s = rng.uniform(0.3, took_s)
            outcome = one_death(_folder(top, f"d{k}"), kind, at_s, found)
            print(k, outcome, flush=True)
            yield outcome


def _folder(top: str, name: str) -> Path:
    folder = Path(top) / name
    folder.mkdir()
    return folder


HEAD = """# Who dies in a sequence

Made by `{command}`. A rack of three devices is taken through six steps over real
sockets; at a random moment somebody dies. "Supply off" and "all safe" are in real
seconds after the death. A chamber whose line is cut cannot be told anything: there
"all safe" counts from when it can be reached again, 8 s later. "All safe" is looked at
for half a second at least. What has to hold: both within 10 s each time, each device
measured once at each step among what counts, each reading through the channel of its
own id for the whole of its gate, as the simulation knows, and the same figures as of a
sequence that nothing happened to. Noise depends on when gates are, so figures are the
same within U of both: beyond it may be one in twenty. Devices have no retrace here,
because a device with retrace is another one after a power cut.

"""


def table(outcomes: list[Outcome]) -> str:
    """Return the table of all deaths by kind."""
    by_kind: dict[str, list[Outcome]] = defaultdict(list)
    for one in outcomes:
        by_kind[one.kind].append(one)
    lines = [
        "| who dies | deaths | supply off, worst s | all safe, worst s | readings | "
        "figures | beyond U | farthest, U | faults |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind in KINDS:
        several = by_kind[kind]
        if several:
            lines.append(
                f"| {kind} | {len(several)} | {max(o.off_s for o in several):.1f} | "
                f"{max(o.safe_s for o in several):.1f} | "
                f"{sum(o.readings for o in several)} | "
                f"{sum(o.figures for o in several)} | "
                f"{sum(o.beyond for o in several)} | "
                f"{max(o.farthest for o in several):.2f} | "
                f"{sum(len(o.faults) for o in several)} |"
            )
    return "\n".join(lines)


def report(outcomes: list[Outcome], seed: int) -> str:
    """Return the table, and every fault."""
    live = sum(one.live for one in outcomes)
    told = [
        table(outcomes),
        "",
        f"Pace x{SCALE:.0f}, seed {seed}: {len(outcomes)} deaths, {live} of them while "
        "something was set.",
    ]
    for one in outcomes:
        told += [f"- {one.kind} at {one.at_s:.1f} s: {said}" for said in one.faults]
    return "\n".join(told) + "\n"


def main() -> None:
    """Run it and print the table; with --keep it is kept after each death."""
    words = [int(word) for word in sys.argv[1:] if word.isdigit()]
    number, seed = (*words, *(50, 1)[len(words) :])[:2]
    command = f"python tests/recorder/rack/death_campaign.py {number} {seed} --keep"
    outcomes = []
    for one in campaign(number, seed):
        outcomes.append(one)
        if "--keep" in sys.argv:
            KEPT.write_text(HEAD.format(command=command) + report(outcomes, seed))
    print(report(outcomes, seed))


if __name__ == "__main__":
    main()
