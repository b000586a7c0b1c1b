"""Sequences, bounds, lies and faults by chance: what a rack's script must bear.

The narrowest bound of each drive is worked out here anew, from the numbers that were
drawn, so that it is not the code under test that tells what is allowed.
"""

from dataclasses import dataclass

from recorder.rack.virtual_rack import PlainSetter

from benchlog.errors import LostError, RefusedError

DRIVES = ("temperature", "supply", "control", "load")
KEYS = {
    "temperature": "temperature_c",
    "supply": "supply_v",
    "control": "control_v",
    "load": "load_pf",
}
SETTERS = {
    "temperature": "chamber",
    "supply": "supply",
    "control": "pulling",
    "load": "loads",
}
PART_RANGES = {
    "temperature": (-40.0, 85.0),
    "supply": (2.97, 3.63),
    "control": (0.5, 2.5),
    "load": (5.0, 15.0),
}
"""What the part vctcxo-10mhz-1ppm states; a test holds that it still does."""


@dataclass(frozen=True)
class Drawn:
    """A sequence's document, the setters' bounds, and what really is allowed."""

    document: dict
    setter_bounds: dict
    narrowest: dict


def drawn_case(chance):
    """Return one case; places may lie anywhere, also far outside."""
    setters = {drive: _range(chance, drive) for drive in DRIVES}
    own = {d: _range(chance, d) for d in DRIVES if chance.random() < 0.4}
    narrowest = {
        drive: (
            max(r[0] for r in ranges),
            min(r[1] for r in ranges),
        )
        for drive in DRIVES
        for ranges in [
            [
                PART_RANGES[drive],
                setters[drive],
                *([own[drive]] if drive in own else []),
            ]
        ]
    }
    steps = [_step(chance, narrowest, k) for k in range(chance.randint(1, 6))]
    if chance.random() < 0.2:
        loop = {"times": chance.randint(1, 3), "every": "10m", "step": [steps.pop()]}
        steps.append(loop)
    document = {
        "sequence": {
            "id": "drawn",
            "title": "drawn",
            "source": "ours",
            "finds": ["offset-at-reference"],
        },
        "settled": {"window": "40s", "device_ppm_per_min": 50, "probe_c_per_min": 50},
        "bounds": {KEYS[drive]: list(ends) for drive, ends in own.items()},
        "step": steps,
    }
    if not own:
        del document["bounds"]
    return Drawn(document, setters, narrowest)


def _range(chance, drive):
    """Return a range that has the middle of the part's in it."""
    low, high = PART_RANGES[drive]
    span = high - low
    low = chance.uniform(low - span / 2, low + span / 3)
    high = chance.uniform(high - span / 3, high + span / 2)
    return low, high


def _place(chance, drive, narrowest):
    low, high = narrowest[drive]
    kind = chance.random()
    if kind < 0.03:
        return chance.choice(["low", "reference", "high"])
    if kind < 0.05:
        return {"from": "low", "to": "high", "points": chance.randint(2, 4)}
    if kind < 0.07:
        far = chance.choice([-1e6, 1e9, low - 1e-5, low - 20, high + 1e-5, high + 5])
        return round(far, 6)
    return chance.uniform(low, high)


def _step(chance, narrowest, k):
    step = {"name": f"step {k}", "wait": "30s"}
    drives = [d for d in DRIVES if chance.random() < 0.45]
    places = 0
    for drive in drives:
        place = _place(chance, drive, narrowest)
        if isinstance(place, dict):
            if places:
                continue
            places += 1
        step[KEYS[drive]] = place
    if "temperature_c" in step and chance.random() < 0.5:
        step["ramp_c_per_min"] = round(chance.uniform(0.5, 5.0), 2)
    if chance.random() < 0.15:
        step["power"] = chance.choice(["on", "off"])
    if step.get("power") != "off" and chance.random() < 0.8:
        step["gates"] = chance.randint(1, 2)
    step["settle"] = chance.random() < 0.5
    step["at_most"] = "10m"
    step["late"] = chance.choice(["go-on", "skip", "stop"])
    return step


class UntrueSetter(PlainSetter):
    """A setter that lies, refuses, is lost or measures nonsense now and then."""

    def __init__(self, options, clock, chance, quantity, faults):
        super().__init__(options, clock, quantity)
        self._chance, self._faults = chance, faults

    def _odd(self):
        return self._chance.random() < self._faults

    def carry_out(self, value):
        if self._odd():
            raise LostError("the line is dead", address="")

    def read_back(self):
        if self._odd():
            raise RefusedError("it does not tell", address="")
        told = super().read_back()
        return told + self._chance.choice([-50.0, 7.0, 1e6]) if self._odd() else told

    def measured(self):
        told = self.told[-1] if self.told else 20.0
        if self._odd():
            return self._chance.choice([-300.0, 0.0, 1e4])
        return told

    def switch(self, on):
        if self._odd():
            raise LostError("the line is dead", address="")
        super().switch(on)

    def release(self):
        if self._odd():
            raise LostError("the line is dead", address="")
        super().release()
