"""How strictly the next lot is sampled, across the lots of one supplier and part.

The rules from memory, after ISO 2859-1:1999, 9.3 and 9.4 (see
verdict/lot/switching_rules.py).
"""

import subprocess
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from pages.page_making import fresh
from store.making import COUNTER, TIMEBASE, plan
from warm_program import PROGRAM, run

from benchlog.catalogue import load_part
from benchlog.cli.tasks.inspecting import report_of
from benchlog.cli.tasks.lot_opening import Wish, known_lot, task_for
from benchlog.errors import UsageError
from benchlog.evaluation.lot_document import lot_document
from benchlog.model import Purpose
from benchlog.recorder.lot.lot_book import Task
from benchlog.store.rows import VerdictRow

PART = "quartz-16mhz-30ppm"
SUPPLIER = "Invented Ltd"
SMALL = 15
"""Devices in a lot where the size of the sample does not matter."""


@dataclass
class Books:
    """A database with lots of one supplier, opened and decided as they come."""

    folder: Path
    severities: list[str] = field(default_factory=list)

    @property
    def db(self) -> Path:
        return self.folder / "pages.db"

    def open(self, **more: object) -> Task:
        wish = {
            "lot": f"L{len(self.severities) + 1}",
            "bench": "counter-tcp",
            "part": PART,
            "lot_size": 90,
            "aql": 6.5,
            "supplier": SUPPLIER,
            **more,
        }
        return task_for(Wish(**wish), self.db)  # type: ignore[arg-type]

    def deliver(
        self, decisions: str, failing: int | None = None, **more: object
    ) -> str:
        """Inspect a lot for each letter, A accepted or R rejected; say the last's."""
        for letter in decisions:
            task = self.open(**more)
            bad = failing if failing is not None else 0
            self._measure(task, task.plan.reject if letter == "R" else bad)
            self.severities.append(str(task.plan.severity))
        return "".join(one[0] for one in self.severities[-len(decisions) :])

    def _measure(self, task: Task, failing: int) -> None:
        size = task.plan.sample_size
        words = ["fail"] * failing + ["pass"] * (size - failing)
        self.write(task, [(f"D{n}", word) for n, word in enumerate(words)])

    def write(self, task: Task, verdicts: Sequence[tuple[str, str]]) -> None:
        """Write a run with its verdict for each device."""
        part = load_part(PART)
        with closing(fresh(self.folder)) as writer:
            for device, word in verdicts:
                one = plan(device, part=part, purpose=Purpose.INSPECT, lot=task.lot.lot)
                run = writer.begin_run(one, {"counter": COUNTER}, TIMEBASE)
                writer.end_run(run, "verdict clear")
                writer.add_verdict(
                    run,
                    VerdictRow(word=word, offset_ppm=2.0, u_ppm=0.5, limit_ppm=30.0),
                )


@pytest.fixture
def books(tmp_path: Path) -> Books:
    return Books(tmp_path)


@pytest.mark.campaign  # the next test goes there and back, too
def test_tightened_after_two_of_five_and_normal_again_after_five(books: Books) -> None:
    # two rejected of the first four: the fifth is sampled as tightened, five accepted
    # in a row under it bring the eleventh back to normal
    assert books.deliver("ARAR", lot_size=SMALL) == "nnnn"
    assert books.deliver("AAAAA", lot_size=SMALL) == "ttttt"
    assert books.deliver("A", lot_size=SMALL) == "n"


def test_five_rejected_while_tightened_discontinue_inspection(
    books: Books, capsys: pytest.CaptureFixture[str]
) -> None:
    assert books.deliver("RR" + "RARARRR", lot_size=SMALL) == "nnttttttt"
    with pytest.raises(UsageError, match="stop until improved"):
        books.open(lot_size=SMALL)
    # the supplier has acted: tightened begins anew, five accepted bring it to normal
    assert books.deliver("A", severity="tightened", lot_size=SMALL) == "t"
    assert books.deliver("AAAA", lot_size=SMALL) == "tttt"
    capsys.readouterr()
    assert books.deliver("A", lot_size=SMALL) == "n"
    assert "5 lots in a row accepted" in capsys.readouterr().err


def test_reduced_is_earned_and_lost(
    books: Books, capsys: pytest.CaptureFixture[str]
) -> None:
    """3 a lot that the next tighter AQL accepts too: 30 after ten (from memory)."""
    assert books.deliver("A" * 10) == "n" * 10
    assert books.deliver("A") == "n"  # nobody said that production is steady
    assert "reduced inspection is earned: --steady" in capsys.readouterr().err
    assert books.deliver("A", steady=True) == "r"
    assert books.deliver("A", steady=True) == "r"
    # E reduced at AQL 6.5: n = 5, accepted in the gap of Ac and Re: back to normal
    assert books.deliver("A", failing=2, steady=True) == "r"
    assert books.deliver("A", steady=True) == "n"


def test_another_supplier_or_part_begins_as_normal(books: Books) -> None:
    books.deliver("RR")
    assert str(books.open(lot="X", supplier="Another").plan.severity) == "normal"
    other = books.open(lot="Y", part="quartz-20mhz-20ppm")
    assert str(other.plan.severity) == "normal"
    assert str(books.open(lot="Z").plan.severity) == "tightened"


def test_undecided_counts_as_the_lot_was_opened(books: Books) -> None:
    """With `--undecided defective` two lots of undecided devices are two rejected."""
    for _ in range(2):
        task = books.open(undecided="defective")
        devices = range(task.plan.sample_size)
        books.write(task, [(f"D{n}", "undecided") for n in devices])
        books.severities.append("normal")
    assert str(books.open().plan.severity) == "tightened"


def test_a_void_run_does_not_count_and_the_one_before_does(books: Books) -> None:
    """`void` as a person types it; the lot is open again, or counts the run before."""
    task = books.open(aql=None, sample=2, accept=0)
    books.write(task, [("a", "pass"), ("b", "pass"), ("b", "fail")])
    assert standing(books) == ("rejected", 0, ["pass", "fail"])
    void(books, "3", "the clip had slipped")
    assert standing(books) == ("accepted", 0, ["pass", "pass"])
    void(books, "2", "that one, too")
    assert standing(books) == ("open", 1, ["pass"])
    void(books, "3", "it was sound after all", "--restore")
    assert standing(books) == ("rejected", 0, ["pass", "fail"])


def benchlog(books: Books, *words: str) -> "subprocess.CompletedProcess[str]":
    return run(
        [*PROGRAM, *words, "--db", str(books.db)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def void(books: Books, run: str, reason: str, *more: str) -> None:
    done = benchlog(books, "void", run, "--reason", reason, *more)
    assert done.returncode == 0, done.stderr


def standing(books: Books) -> tuple[str, int, list[str]]:
    """Return how the lot stands, as `inspect --result --json` gives it."""
    lot = known_lot(books.db, Wish(lot="L1"))
    found = lot_document(report_of(books.db, lot))
    words = [device["verdict"] for device in found["devices"]]
    return found["decision"], found["remaining"], words
