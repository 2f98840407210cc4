"""Tests of what a part gains while it is shut off, against its leak integrated step by step."""

import pytest

from rig.analysis.volume import SettledPressure
from rig.procedure.shut_off import ShutOff
from rig.records import Estimate
from tests.unit.procedure.bench_model import SEA_LEVEL_PA, shape

RIG_M3, PART_M3 = 25e-6, 14e-6
LASTED_S = 9.0
NOTHING = Estimate(0.0, 0.0)


def settled(pressure_pa: float, slope_pa_s: float, slope_u: float = 0.0) -> SettledPressure:
    """State what a record around the time shut off told."""
    return SettledPressure(Estimate(pressure_pa, 1.0), Estimate(slope_pa_s, slope_u), 0.0, None)


def integrated(full_pa_m3_s: float, law: str, critical_ratio: float, start_pa: float) -> float:
    """Integrate what comes into the part alone from `start_pa` on (midpoint rule)."""
    pressure_pa, count = start_pa, 4000
    step_s = LASTED_S / count
    for _ in range(count):
        rate = full_pa_m3_s / PART_M3
        half = rate * shape(law, pressure_pa / SEA_LEVEL_PA, critical_ratio) * step_s / 2.0
        ratio = (pressure_pa + half) / SEA_LEVEL_PA
        pressure_pa += rate * shape(law, ratio, critical_ratio) * step_s
    return (pressure_pa - start_pa) * PART_M3


@pytest.mark.parametrize(
    ("law", "critical_ratio"),
    [("laminar", 0.0), ("orifice", 0.2), ("orifice", 0.35), ("orifice", 0.5)],
)
@pytest.mark.parametrize("rise_pa", [500.0, 4_000.0, 15_000.0])
def test_the_gain_is_that_of_the_leak_whatever_its_law(
    law: str, critical_ratio: float, rise_pa: float
) -> None:
    """Within 2 u of the integral, and u is a few per cent: what not knowing the law costs.

    The slopes are those that the leak makes of rig and part at 50.5 and at 41 kPa.
    """
    before_pa, after_pa = 50_500.0, 41_000.0
    full = rise_pa * PART_M3 / LASTED_S / shape(law, before_pa / SEA_LEVEL_PA, critical_ratio)
    around = [
        settled(at_pa, full * shape(law, at_pa / SEA_LEVEL_PA, critical_ratio) / (RIG_M3 + PART_M3))
        for at_pa in (before_pa, after_pa)
    ]
    gained = ShutOff(around[0], around[1], LASTED_S, SEA_LEVEL_PA).gained(RIG_M3, PART_M3)
    truth = integrated(full, law, critical_ratio, before_pa)
    assert abs(gained.value - truth) < 2.0 * gained.u
    assert gained.u < 0.1 * gained.value


def test_a_part_that_is_tight_gains_nothing_and_only_its_slopes_are_in_doubt() -> None:
    """No slope, no gain; half of each slope's u times both volumes and the time is left."""
    tight = settled(50_500.0, 0.0, 2.0)
    gained = ShutOff(tight, tight, LASTED_S, SEA_LEVEL_PA).gained(RIG_M3, PART_M3)
    assert gained.value == 0.0
    one = 2.0 * (RIG_M3 + PART_M3) * LASTED_S
    assert gained.u == pytest.approx(0.5 * 2.0**0.5 * one, rel=1e-12)


def test_what_slackens_without_leaking_is_half_in_doubt() -> None:
    """Creep that has died away by the opening may have gone on all the time, or ended at once."""
    creeps, stands = settled(50_500.0, 40.0), settled(41_000.0, 0.0)
    gained = ShutOff(creeps, stands, LASTED_S, SEA_LEVEL_PA).gained(RIG_M3, PART_M3)
    most = 40.0 * (RIG_M3 + PART_M3) * LASTED_S
    assert gained.value == pytest.approx(0.5 * most, rel=0.05)
    assert gained.sources["creep"] == pytest.approx(0.5 * most, rel=0.05)


def test_a_pressure_that_falls_is_taken_as_it_is() -> None:
    """A slope below zero, by noise or by gas that cools, is no leak and follows no law."""
    falls = settled(50_500.0, -3.0)
    gained = ShutOff(falls, falls, LASTED_S, SEA_LEVEL_PA).gained(RIG_M3, PART_M3)
    assert gained.value == pytest.approx(-3.0 * (RIG_M3 + PART_M3) * LASTED_S, rel=1e-12)
    assert gained.sources["law"] == 0.0
