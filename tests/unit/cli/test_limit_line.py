"""Tests of the course of a leak exactly at the limit, under the conditions of another run."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rig.analysis.hold import DropLimit, HoldConditions
from rig.cli.limit_line import leak_at_the_limit

INHG = 3386.389
SEA_LEVEL = 101_325.0
LIMIT = DropLimit(15.0 * INHG, 20.0, 45e-6, 1.0 * INHG)
START_PA = SEA_LEVEL - 15.0 * INHG


@pytest.mark.parametrize("kind", ["orifice", "laminar", "permeation", "unclear", "none"])
def test_under_the_conditions_of_the_limit_the_line_is_the_limit(kind: str) -> None:
    """In the reference volume, at sea level and 20 degC, it drops 1 inHg in 20 s."""
    same = HoldConditions(SEA_LEVEL, 293.15, 45e-6, 0.0)
    line = leak_at_the_limit(np.array([0.0, 20.0]), START_PA, kind, LIMIT, same)
    assert line is not None
    np.testing.assert_allclose(line, [START_PA, START_PA + INHG], rtol=1e-12)


def test_a_larger_volume_slows_the_line_in_proportion() -> None:
    """At four times the volume the same leak takes four times as long."""
    large = HoldConditions(SEA_LEVEL, 293.15, 180e-6, 0.0)
    line = leak_at_the_limit(np.array([80.0]), START_PA, "laminar", LIMIT, large)
    assert line == pytest.approx([START_PA + INHG], rel=1e-12)


@pytest.mark.parametrize(
    ("kind", "flow"),
    [
        # Mass flow over its constant, from the pressures inside and outside (ISO 6358-1, b = 0.5;
        # Poiseuille; Fick).
        ("orifice", lambda p, a: a * math.sqrt(1.0 - max((p / a - 0.5) / 0.5, 0.0) ** 2)),
        ("laminar", lambda p, a: a * a - p * p),
        ("permeation", lambda p, a: a - p),
    ],
)
def test_the_line_follows_the_same_leak_on_a_mountain(kind: str, flow: object) -> None:
    """Integrated: the strength that just meets the limit, then the same at 82.4 kPa and 35 degC.

    V dp/dt = strength x flow x R T, the strength found by shooting at sea level.
    """
    assert callable(flow)

    def course(strength: float, start: float, here: HoldConditions, t: float) -> float:
        def slope(_: float, p: np.ndarray) -> list[float]:
            mass_flow = strength * flow(p[0], here.ambient_pa)
            return [mass_flow * 288.0 * here.gas_temperature_k / here.volume_m3]

        return float(solve_ivp(slope, (0.0, t), [start], rtol=1e-10, atol=1e-4).y[0, -1])

    reference = HoldConditions(SEA_LEVEL, 293.15, 45e-6, 0.0)

    low, high = 0.0, 4.0 * INHG / 20.0 * 45e-6 / (288.0 * 293.15 * flow(START_PA, SEA_LEVEL))
    for _ in range(60):
        middle = 0.5 * (low + high)
        dropped = course(middle, START_PA, reference, 20.0) - START_PA
        low, high = (middle, high) if dropped < INHG else (low, middle)
    here = HoldConditions(82_400.0, 308.15, 75e-6, 0.0)
    expected = course(low, 31_000.0, here, 60.0)
    line = leak_at_the_limit(np.array([60.0]), 31_000.0, kind, LIMIT, here)
    # As in the analysis, a leak passes the same standard flow at any gas temperature.
    assert line == pytest.approx([expected], rel=1e-7)


def test_a_limit_that_judges_nothing_has_no_line() -> None:
    """A measurement without a limit draws none."""
    measured = DropLimit(15.0 * INHG, 20.0, 45e-6)
    conditions = HoldConditions(SEA_LEVEL, 293.15, 45e-6, 0.0)
    assert leak_at_the_limit(np.zeros(1), START_PA, "orifice", measured, conditions) is None
