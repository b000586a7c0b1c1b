"""What a writer takes and a reader gives besides the nouns of the model."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from benchlog.model import (
    Condition,
    Edge,
    Event,
    PhasePoint,
    Reading,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_MARK: Final = re.compile(r"mark [1-9][0-9]*")
Row = tuple[int, int, Reading | Event | Condition | Edge | PhasePoint]
"""run id, segment id, and what happened."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a run on one monotonic clock: from one boot of one host."""

    id: int
    began_utc_ns: int
    began_mono_ns: int
    boot_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionSpan:
    """What was logged of one quantity by one instrument in a run, in `unit`."""

    quantity: str
    unit: str
    instrument: str
    n: int
    least: float
    mean: float
    most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """A verdict as it is kept, with the figures and the rule it rests on.

    Unknown figures are None. `figures` is stored as JSON, `at_utc_ns` None means now.
    """

    word: str
    offset_ppm: float | None = None
    u_ppm: float | None = None
    limit_ppm: float | None = None
    conformance: float | None = None
    rule: str = ""
    figures: Mapping[str, object] = field(default_factory=dict)
    at_utc_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """What a person said of a run afterwards; the run's own rows stay as they are.

    `kind` is `device`, `part`, `lot` or `operator` (it was mistyped: `old` and `new`; a
    lot that is empty is none), `mark 2` (the text of the run's second mark), `void`
    (the run does not count) or `restore` (it counts again). `at_utc_ns` None means now.
    """

    kind: str
    reason: str
    old: str | None = None
    new: str | None = None
    operator: str = ""
    at_utc_ns: int | None = None

    @property
    def is_known(self) -> bool:
        """Whether there is such a kind, and what it should be where it needs that."""
        if self.kind in ("void", "restore"):
            return True
        named = self.kind in ("device", "part", "lot", "operator")
        return self.new is not None and (named or bool(_MARK.fullmatch(self.kind)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A run in blocks of at most 1,024 readings, as arrays of equal length.

    `t0`/`t1` are the first and the last reading's times; utc is -1 where there are no
    time stamps. `ambient_mean_c` is NaN where unknown. `flags` are OR-ed.
    """

    first_id: "NDArray[np.int64]"
    last_id: "NDArray[np.int64]"
    n: "NDArray[np.int64]"
    t0_utc_ns: "NDArray[np.int64]"
    t1_utc_ns: "NDArray[np.int64]"
    t0_mono_ns: "NDArray[np.int64]"
    t1_mono_ns: "NDArray[np.int64]"
    min_hz: "NDArray[np.float64]"
    max_hz: "NDArray[np.float64]"
    mean_hz: "NDArray[np.float64]"
    ambient_mean_c: "NDArray[np.float64]"
    flags: "NDArray[np.int64]"

    def __len__(self) -> int:
        return len(self.n)
