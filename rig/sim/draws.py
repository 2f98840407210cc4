"""Own where the simulated bench's random numbers come from; never draw from anything but a seed."""

import numpy as np


def draws(seed: int, purpose: str) -> np.random.Generator:
    """Make random numbers that are the same for a seed (0 or more) and a purpose."""
    return np.random.default_rng([seed, *purpose.encode()])
