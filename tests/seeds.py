"""Random numbers of tests: each seed is printed, so that a failure shows it."""

import random

import numpy as np


def seeded_generator(seed: int | list[int]) -> np.random.Generator:
    """Return numpy's generator for a seed, and print the seed."""
    print(f"seed {seed!r} (numpy)")
    return np.random.default_rng(seed)


def seeded_random(seed: int | float | str) -> random.Random:
    """Return the standard library's generator for a seed, and print the seed."""
    print(f"seed {seed!r} (random)")
    return random.Random(seed)
