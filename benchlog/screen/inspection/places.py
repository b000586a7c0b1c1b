"""What a lot's keeper last told of its positions."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from benchlog.control import Answer


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """What was last heard of the keeper; `focus` is the position that keys mean.

    `idle`: what it says is for how long no device came.
    """

    heard: bool = False
    gone: str = ""
    said: str = ""
    idle: bool = False
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
                name=str(one["position"]),
                run=one["run"],
                waiting=str(one["device"]),
                seen=one["seen"],
                left=bool(one["left"]),
            )
            for one in lot["places"]
        )
        focus = before.focus or spots[0].name
        return cls(
            heard=True,
            said=str(lot["said"]),
            idle=lot["idle"] is True,
            paused=bool(lot["paused"]),
            spots=spots,
            focus=focus,
        )

    def says_more_than(self, before: "Places") -> bool:
        """Whether the keeper says something new; that nobody came is not worth that.

        It comes when it comes, also right behind the answer to a wrong label.
        """
        return self.said != before.said and not self.idle

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
