"""Check that rubber creeps along its law, remembers, and comes back."""

import math

import numpy as np
import pytest

from rig.sim.leaks import STATED_AT_PA
from rig.sim.rubber import Pair, Rubber, exponential, log_time, power_law


def _given(pairs: tuple[Pair, ...], times_s: np.ndarray, vacuum_pa: float = STATED_AT_PA) -> list:
    rubber, now_s, found = Rubber(pairs), 0.0, []
    for time_s in times_s:
        steps = max(1, round((time_s - now_s) / 0.05))
        for _ in range(steps):
            rubber.creep(vacuum_pa, (time_s - now_s) / steps)
        now_s = time_s
        found.append(rubber.given_m3)
    return found


TIMES_S = np.array([0.5, 1.0, 3.0, 10.0, 30.0, 60.0, 120.0])


def test_one_pair_gives_way_exponentially() -> None:
    """V (1 - exp(-t/tau)) under a step; twice the vacuum, twice the volume."""
    expected = 1e-6 * (1.0 - np.exp(-TIMES_S / 4.0))
    np.testing.assert_allclose(_given(exponential(1e-6, 4.0), TIMES_S), expected, rtol=1e-9)
    doubled = _given(exponential(1e-6, 4.0), TIMES_S, 2.0 * STATED_AT_PA)
    np.testing.assert_allclose(doubled, 2.0 * expected, rtol=1e-9)


@pytest.mark.parametrize("onset_s", [0.2, 1.0])
def test_log_creep_gives_the_same_in_each_decade(onset_s: float) -> None:
    """A ln(1 + t/t0) for two minutes, stated at one, to two per cent of that."""
    expected = 1e-6 * np.log1p(TIMES_S / onset_s) / math.log1p(60.0 / onset_s)
    np.testing.assert_allclose(_given(log_time(1e-6, onset_s), TIMES_S), expected, atol=2e-8)


@pytest.mark.parametrize("exponent", [0.15, 0.3, 0.5])
def test_power_creep_goes_with_a_power_of_time(exponent: float) -> None:
    """A t^n for two minutes, stated at one, to four per cent of that."""
    found = _given(power_law(1e-6, exponent), TIMES_S)
    np.testing.assert_allclose(found, 1e-6 * (TIMES_S / 60.0) ** exponent, atol=4e-8)


def test_a_second_pull_soon_after_gives_less() -> None:
    """Linear memory: after a minute's hold and a short rest less is left to give."""
    rubber = Rubber(log_time(1e-6, 0.5))
    given = []
    for _ in range(2):
        began = rubber.given_m3
        for _ in range(1200):
            rubber.creep(STATED_AT_PA, 0.05)
        given.append(rubber.given_m3 - began)
        for _ in range(100):
            rubber.creep(0.0, 0.05)
    assert given[1] < 0.8 * given[0]


def test_rubber_comes_all_the_way_back() -> None:
    """Without vacuum it recovers as it gave way, and ends where it began."""
    rubber = Rubber(exponential(1e-6, 4.0))
    for _ in range(100):
        rubber.creep(STATED_AT_PA, 0.2)
    left = rubber.given_m3
    rubber.creep(0.0, 4.0)
    assert rubber.given_m3 == pytest.approx(left / math.e, rel=1e-9)
    rubber.creep(0.0, 400.0)
    assert rubber.given_m3 == pytest.approx(0.0, abs=1e-15)


def test_superposition_holds() -> None:
    """The response to the sum of two histories is the sum of the responses (Boltzmann)."""
    histories = [[1e4] * 50 + [3e4] * 50, [2e4] * 30 + [0.0] * 70]
    ends = []
    for history in [*histories, [sum(pair) for pair in zip(*histories, strict=True)]]:
        rubber = Rubber(power_law(1e-6, 0.3))
        for vacuum_pa in history:
            rubber.creep(vacuum_pa, 0.1)
        ends.append(rubber.given_m3)
    assert ends[2] == pytest.approx(ends[0] + ends[1], rel=1e-12)


def test_rubber_that_does_not_creep_gives_nothing() -> None:
    """No pairs, no volume."""
    rubber = Rubber(())
    rubber.creep(STATED_AT_PA, 10.0)
    assert rubber.given_m3 == 0.0
