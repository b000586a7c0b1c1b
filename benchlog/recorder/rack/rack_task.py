"""What a rack's keeper is to do: devices at positions, steps, setters with bounds."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchlog.model import Bench, Drive, PositionSpec, RunPlan, SettledRule
from benchlog.recorder.run.plan_checks import position_of
from benchlog.verdict.rack.planned_steps import PlannedStep

ROLE_OF = {
    Drive.TEMPERATURE: "chamber",
    Drive.SUPPLY: "feed",
    Drive.CONTROL: "control",
    Drive.LOAD: "load",
}
"""The role of a position whose setter sets a drive."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RackTask:
    """Devices in a rack and what they are taken through.

    Parameters
    ----------
    plans : tuple of RunPlan
        One a device.
    steps : tuple of PlannedStep
        All of them; `first` is where it begins, later than 0 when it is gone on with.
    rule : SettledRule
    bounds : mapping
        Setter's name to what it may be set to at most.
    references : mapping
        Where each drive stands at reference conditions.
    exchanged : frozenset of str
        Setters that may be others than they were before the sequence was cut.
    """

    plans: tuple[RunPlan, ...]
    steps: tuple[PlannedStep, ...]
    rule: SettledRule
    bounds: Mapping[str, tuple[float, float]]
    references: Mapping[Drive, float] = field(default_factory=dict)
    first: int = 0
    exchanged: frozenset[str] = frozenset()

    @property
    def bench(self) -> Bench:
        """The bench of all of them."""
        return self.plans[0].bench

    def positions(self) -> tuple[PositionSpec, ...]:
        """Return the positions in use, in the order of the plans."""
        return tuple(position_of(plan) for plan in self.plans)

    def turn_settle_s(self, scanner: str) -> float:
        """Return the bench seconds from a closed channel to the first gate."""
        return self.bench.instruments[scanner].turn_settle_s

    def setters(self) -> tuple[str, ...]:
        """Return the names of all setters and scanners that positions in use name."""
        names: dict[str, None] = {}
        for position in self.positions():
            for role in ("through", *ROLE_OF.values()):
                name = getattr(position, role)
                if name is not None:
                    names[name] = None
        return tuple(names)

    def setters_of(self, drive: Drive) -> tuple[str, ...]:
        """Return the setters of one drive, each once."""
        role = ROLE_OF[drive]
        found = [getattr(position, role) for position in self.positions()]
        return tuple(dict.fromkeys(name for name in found if name is not None))

    def feed_at_first_v(self, step: PlannedStep) -> float | None:
        """Return what the supply is set to before it is switched on at a first step.

        That is the part's nominal voltage; None where nobody states it, nothing sets
        it, or the step switches nothing on.
        """
        usual_v, names = (
            self.references.get(Drive.SUPPLY),
            self.setters_of(Drive.SUPPLY),
        )
        if usual_v is None or not names or not step.powered:
            return None
        allowed = (self.bounds[name] for name in names)
        return usual_v if all(low <= usual_v <= high for low, high in allowed) else None

    def at_reference(self, step: PlannedStep) -> bool:
        """Tell whether devices stand at reference conditions in a step."""
        return step.powered and all(
            abs(value - self.references.get(drive, value)) < 1e-9
            for drive, value in step.state.items()
        )
