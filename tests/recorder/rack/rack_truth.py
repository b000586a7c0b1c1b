"""What a simulated device truly has of each characteristic, at the places measured.

The quantity is the one that is told: the largest change, difference or slope at the
temperatures of the sequence, of a device whose body has them exactly, on the branch of
its hysteresis on which it was then. Nothing here is taken from the analysis.
"""

from collections import defaultdict
from itertools import pairwise

import numpy as np


class TruePoints:
    """One device's true offset at each step: `ppm[step]`, and the step's state.

    `off_c` is how much warmer its place is than its body is told to be: the truth is
    asked of a body that has the temperature exactly.
    """

    def __init__(self, steps, off_c=0.0):
        self.steps = {step.index: step for step in steps}
        self.off_c = off_c
        self.ppm, self.at_s = {}, {}

    def note(self, device, step, at_s):
        """Note a point at the time of its turn; points come in the order of time."""
        place_c = self.steps[step].state["temperature"] - self.off_c
        self.ppm[step] = device.offset_with_body_at(place_c, at_s)
        self.at_s[step] = at_s

    def _only(self, but, references):
        """Return steps at which all drives but one are at their reference."""
        return [
            index
            for index in self.ppm
            if all(
                abs(value - references.get(drive, value)) < 1e-9
                for drive, value in self.steps[index].state.items()
                if drive != but
            )
        ]

    def truths(self, references):
        """Return the true value of each characteristic that the steps can find."""
        at_reference = self._only("", references)
        swept = self._only("temperature", references)
        places = {index: self.steps[index].state["temperature"] for index in swept}
        found = {"offset-at-reference": self.ppm[min(at_reference)]}
        away = [k for k in swept if k not in at_reference]
        if away:
            found["frequency-temperature"] = max(
                abs(self.ppm[k] - self._base(k, at_reference)) for k in away
            )
            found["temperature-slope"] = self._steepest(places)
            found |= self._hysteresis(places)
        for drive in ("supply", "load", "control"):
            moved = [k for k in self._only(drive, references) if k not in at_reference]
            if moved:
                found[drive] = max(
                    abs(self.ppm[k] - self._base(k, at_reference)) for k in moved
                )
        return found

    def _base(self, step, at_reference):
        """Return the reference that a point is compared with, as time goes by."""
        before = [k for k in at_reference if k < step]
        after = [k for k in at_reference if k > step]
        if not (before and after):
            return self.ppm[before[-1] if before else after[0]]
        began_s, end_s = self.at_s[before[-1]], self.at_s[after[0]]
        share = (self.at_s[step] - began_s) / (end_s - began_s)
        return (1 - share) * self.ppm[before[-1]] + share * self.ppm[after[0]]

    def _steepest(self, places):
        """Return the steepest slope of neighbours on a way; of several the mean."""
        ways, slopes = self._ways(places), defaultdict(list)
        for one in set(ways.values()):
            here = self._means({k: c for k, c in places.items() if ways[k] == one})
            for a, b in pairwise(sorted(here)):
                slopes[a, b].append((here[b] - here[a]) / (b - a))
        on_a_way = {place for pair in slopes for place in pair}
        here = self._means(places)
        for a, b in pairwise(sorted(here)):
            if not on_a_way >= {a, b}:
                slopes[a, b] = [(here[b] - here[a]) / (b - a)]
        return max(abs(np.mean(some)) for some in slopes.values())

    def _means(self, places):
        """Return the mean of the points at each place."""
        at_place = defaultdict(list)
        for step, place_c in places.items():
            at_place[round(place_c, 3)].append(self.ppm[step])
        return {place_c: np.mean(some) for place_c, some in at_place.items()}

    @staticmethod
    def _ways(places):
        """Return +1 for a step that was reached from below, -1 from above, else 0."""
        found, before_c = {}, None
        for step in sorted(places):
            here_c = places[step]
            found[step] = 0 if before_c is None else int(np.sign(here_c - before_c))
            before_c = here_c
        return found

    def _hysteresis(self, places):
        rising, falling = defaultdict(list), defaultdict(list)
        before_c = None
        for step in sorted(places):
            here_c = places[step]
            if before_c is not None and here_c != before_c:
                way = rising if here_c > before_c else falling
                way[round(here_c, 3)].append(self.ppm[step])
            before_c = here_c
        both = rising.keys() & falling.keys()
        if not both:
            return {}
        mean = lambda some: sum(some) / len(some)  # noqa: E731
        return {
            "hysteresis": max(abs(mean(rising[c]) - mean(falling[c])) for c in both)
        }
