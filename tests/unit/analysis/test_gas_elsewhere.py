"""Check what a leak does under another ambient, at another vacuum, on a hand gauge."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate

from rig.analysis.gas import (
    Law,
    LeakLaw,
    critical_ratio_hypotheses,
    equivalent_drop,
    scale_flow,
    slope_from_flow,
)
from rig.units import PA_PER_INHG, SEA_LEVEL_PA, STD_CC_PER_MIN_PER_M3_S
from tests.support.leak_curves import flow_share, integrate

DATA = Path(__file__).parents[2] / "data" / "gas"
LAWS = [
    LeakLaw(Law.ORIFICE, 0.0),
    LeakLaw(Law.ORIFICE, 0.5),
    LeakLaw(Law.LAMINAR),
    LeakLaw(Law.PERMEATION),
]


def _name(value: object) -> str | None:
    return f"{value.law}-{value.critical_ratio}" if isinstance(value, LeakLaw) else None


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


LOW_YARD_PA = 82_400.0
"""Ambient of a shop at altitude."""


@pytest.mark.parametrize("count", [1, 2, 5, 8])
def test_hypotheses_carry_the_prior(count):
    """Nodes must keep weight, mean and (from two on) variance of the uniform prior 0.2 to 0.53."""
    hypotheses = critical_ratio_hypotheses(count)
    ratios = np.array([law.critical_ratio for law, _ in hypotheses])
    weights = np.array([weight for _, weight in hypotheses])
    assert len(hypotheses) == count
    assert all(law.law is Law.ORIFICE for law, _ in hypotheses)
    assert weights.sum() == pytest.approx(1.0, rel=1e-12)
    assert weights @ ratios == pytest.approx(0.365, rel=1e-12)
    if count > 1:
        assert weights @ (ratios - 0.365) ** 2 == pytest.approx(0.33**2 / 12, rel=1e-12)


def test_no_hypothesis_is_refused():
    """A count below one must be refused."""
    with pytest.raises(ValueError, match="positive"):
        critical_ratio_hypotheses(0)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_scaling_one_law_is_that_law(law):
    """With one law the flow must scale as its written-out flow does, with no spread."""

    def flow(p: float, p_a: float) -> float:
        strength = p_a**2 if law.law is Law.LAMINAR else p_a
        return 1e-13 * strength * flow_share(law, p, p_a)

    scaled = scale_flow(
        flow(LOW_YARD_PA - 3e4, LOW_YARD_PA), [(law, 2.0)],
        vacuum_pa=3e4, ambient_pa=LOW_YARD_PA, other_vacuum_pa=5e4, other_ambient_pa=SEA_LEVEL_PA,
    )  # fmt: skip
    expected = flow(SEA_LEVEL_PA - 5e4, SEA_LEVEL_PA)
    assert scaled.value == pytest.approx(expected, rel=1e-12)
    assert scaled.u == pytest.approx(0.0, abs=1e-12 * expected)


def test_scaling_to_the_same_place_changes_nothing():
    """Seen and wanted at the same vacuum and ambient, a flow must stay, and be sure."""
    hypotheses = [*critical_ratio_hypotheses(5), (LeakLaw(Law.LAMINAR), 1.0)]
    same = scale_flow(
        4e-8, hypotheses,
        vacuum_pa=4e4, ambient_pa=1e5, other_vacuum_pa=4e4, other_ambient_pa=1e5,
    )  # fmt: skip
    assert same.value == pytest.approx(4e-8, rel=1e-14)
    assert same.u == pytest.approx(0.0, abs=1e-22)


def test_a_choked_leak_scales_surely():
    """Choked here and there for every critical ratio, the flow must go with the ambient alone."""
    scaled = scale_flow(
        4e-8, critical_ratio_hypotheses(7),
        vacuum_pa=0.85 * LOW_YARD_PA, ambient_pa=LOW_YARD_PA,
        other_vacuum_pa=0.9 * SEA_LEVEL_PA, other_ambient_pa=SEA_LEVEL_PA,
    )  # fmt: skip
    assert scaled.value == pytest.approx(4e-8 * SEA_LEVEL_PA / LOW_YARD_PA, rel=1e-12)
    assert scaled.u == pytest.approx(0.0, abs=1e-20)


@pytest.mark.parametrize(("vacuum_pa", "other_vacuum_pa"), [(5e4, 2e4), (2e4, 5e4), (6e4, 5e4)])
def test_scaling_carries_the_spread_of_the_critical_ratio(vacuum_pa, other_vacuum_pa):
    """Mean and spread over the prior must agree with its integrals."""

    def gain(b: float) -> float:
        law = LeakLaw(Law.ORIFICE, b)
        here = flow_share(law, LOW_YARD_PA - vacuum_pa, LOW_YARD_PA)
        there = flow_share(law, SEA_LEVEL_PA - other_vacuum_pa, SEA_LEVEL_PA)
        return there / here * SEA_LEVEL_PA / LOW_YARD_PA

    def mean(function) -> float:
        knees = [1 - vacuum_pa / LOW_YARD_PA, 1 - other_vacuum_pa / SEA_LEVEL_PA]
        inside = [b for b in knees if 0.2 < b < 0.53]
        return scipy.integrate.quad(function, 0.2, 0.53, points=inside or None)[0] / 0.33

    expected = mean(gain)
    spread = math.sqrt(mean(lambda b: (gain(b) - expected) ** 2))
    scaled = scale_flow(
        -3e-8, critical_ratio_hypotheses(9),
        vacuum_pa=vacuum_pa, ambient_pa=LOW_YARD_PA,
        other_vacuum_pa=other_vacuum_pa, other_ambient_pa=SEA_LEVEL_PA,
    )  # fmt: skip
    assert scaled.value == pytest.approx(-3e-8 * expected, rel=1e-4)
    assert scaled.u == pytest.approx(3e-8 * spread, rel=2e-3)
    assert scaled.sources == {"law": scaled.u}


def test_scaling_weighs_the_laws():
    """Two laws, three to one, must give the weighted mean and spread of their two flows."""
    conditions = {
        "vacuum_pa": 5e4, "ambient_pa": 1e5, "other_vacuum_pa": 2e4, "other_ambient_pa": 1e5,
    }  # fmt: skip
    # Laminar 1 - 0.8^2 over 1 - 0.5^2, permeation 0.2 over 0.5.
    laminar, permeation = 0.36 / 0.75, 0.4
    hypotheses = [(LeakLaw(Law.LAMINAR), 3.0), (LeakLaw(Law.PERMEATION), 1.0)]
    scaled = scale_flow(1e-8, hypotheses, **conditions)
    assert scaled.value == pytest.approx(1e-8 * (0.75 * laminar + 0.25 * permeation), rel=1e-12)
    spread = math.sqrt(0.75 * 0.25) * (laminar - permeation)
    assert scaled.u == pytest.approx(1e-8 * spread, rel=1e-12)


@pytest.mark.parametrize("vacuum_pa", [0.0, -1.0, 100_001.0])
def test_a_vacuum_that_cannot_be_is_refused(vacuum_pa):
    """No leak shows without vacuum, and none is below perfect vacuum."""
    law = LeakLaw(Law.LAMINAR)
    good = {"vacuum_pa": 4e4, "ambient_pa": 1e5, "other_vacuum_pa": 4e4, "other_ambient_pa": 1e5}
    for wrong in ("vacuum_pa", "other_vacuum_pa"):
        with pytest.raises(ValueError, match="outside"):
            scale_flow(1e-8, [(law, 1.0)], **(good | {wrong: vacuum_pa}))
    with pytest.raises(ValueError, match="outside"):
        equivalent_drop(law, 1e-8, vacuum_pa, 20.0, 45e-6, ambient_pa=1e5)


@pytest.mark.parametrize("row", _rows("equivalent_drops.csv"))
def test_drop_on_a_hand_gauge(row):
    """The drop of a known leak must agree with the one integrated apart from the program."""
    law = LeakLaw(Law(row["law"]), float(row["critical_ratio"] or 0.5))
    drop_pa = equivalent_drop(
        law,
        float(row["leak_std_cm3_min"]) / STD_CC_PER_MIN_PER_M3_S,
        float(row["from_inhg"]) * PA_PER_INHG,
        float(row["within_s"]),
        float(row["reference_volume_cm3"]) * 1e-6,
    )
    assert drop_pa / PA_PER_INHG == pytest.approx(float(row["equivalent_drop_inhg"]), rel=1e-9)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_drop_under_another_ambient_and_temperature(law):
    """At altitude and in the cold the drop must be that of the integrated curve."""
    flow, from_vacuum_pa, V, T = 6e-8, 45_000.0, 60e-6, 278.15
    start_pa = LOW_YARD_PA - from_vacuum_pa
    slope = flow * 1.185 * 288.0 * T / V
    rate = slope / flow_share(law, start_pa, LOW_YARD_PA)
    _, pressures_pa = integrate(law, start_pa, rate, LOW_YARD_PA, 15.0)
    drop_pa = equivalent_drop(
        law, flow, from_vacuum_pa, 15.0, V, ambient_pa=LOW_YARD_PA, temperature_k=T
    )
    assert drop_pa == pytest.approx(pressures_pa[-1] - start_pa, rel=1e-8)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_a_drop_keeps_the_sign_and_size_of_its_leak(law):
    """No leak gives no drop, a negative one a negative drop, a gross one the vacuum at most."""
    conditions = (50_000.0, 20.0, 45e-6)
    assert equivalent_drop(law, 0.0, *conditions) == pytest.approx(0.0, abs=1e-10)
    small = equivalent_drop(law, 1e-12, *conditions)
    assert small == pytest.approx(20.0 * slope_from_flow(1e-12, 45e-6, 293.15), rel=1e-4)
    assert equivalent_drop(law, -1e-12, *conditions) == pytest.approx(-small, rel=1e-4)
    assert equivalent_drop(law, 1.0, *conditions) == pytest.approx(50_000.0, rel=1e-12)
