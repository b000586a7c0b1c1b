"""What the keeper of a lot says of its positions; pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from benchlog.control import Answer


@dataclass(frozen=True, slots=True)
class Spot:
    """One position: the run at it, the device waited for, what is seen of it."""

    name: str = ""
    run: int | None = None
    waiting: str = ""
    seen: bool | None = None
    left: bool = True

    @property
    def free(self) -> bool:
        """Whether it waits for an id."""
        return self.run is None and not self.waiting


@dataclass(frozen=True, slots=True)
class Places:
    """What was last heard of the keeper; `focus` is the position that keys mean."""

    heard: bool = False
    gone: str = ""
    said: str = ""
    paused: bool = False
    spots: tuple[Spot, ...] = field(default=(Spot(),))
    focus: str = ""

    @classmethod
    def of(cls, answer: Answer, before: "Places") -> "Places":
        """Read the keeper's answer to `status`."""
        lot: Any = answer.data.get("lot")
        if not answer.ok or not isinstance(lot, Mapping):
            return replace(before, gone=answer.error or "no keeper")
        spots = tuple(
            Spot(
                str(one["position"]),
                one["run"],
                str(one["device"]),
                one["seen"],
                bool(one["left"]),
            )
            for one in lot["places"]
        )
        focus = before.focus or spots[0].name
        return cls(True, "", str(lot["said"]), bool(lot["paused"]), spots, focus)

    @property
    def spot(self) -> Spot:
        """The position that keys mean."""
        found = (spot for spot in self.spots if spot.name == self.focus)
        return next(found, self.spots[0])

    @property
    def several(self) -> bool:
        """Whether devices are measured side by side."""
        return len(self.spots) > 1

    def next_focus(self) -> "Places":
        """Return with the keys on the next position."""
        names = [spot.name for spot in self.spots]
        at = names.index(self.spot.name)
        return self.looking_at(names[(at + 1) % len(names)])

    def looking_at(self, name: str) -> "Places":
        """Return with the keys on a position."""
        return replace(self, focus=name)
