"""What happened in a run, and what was said of it afterwards."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.model import Condition, Event, is_order
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment, VerdictRow


@dataclass(frozen=True, slots=True)
class RunHistory:
    """Events, verdicts that were kept, amendments, orders to setters; newest last."""

    events: Sequence[Event]
    verdicts: Sequence[VerdictRow]
    amendments: Sequence[Amendment]
    orders: Sequence[Condition] = ()


def history_of(reader: Reader, run_id: int) -> RunHistory:
    """Read what happened in a run. Raises StoreError."""
    return RunHistory(
        tuple(event for _, event in reader.events(run_id)),
        tuple(reader.verdicts(run_id)),
        tuple(reader.amendments(run_id)),
        tuple(one for _, one in reader.conditions(run_id) if is_order(one)),
    )
