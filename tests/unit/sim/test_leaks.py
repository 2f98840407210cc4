"""Check the simulated leaks and what is said to be true of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis import gas
from rig.analysis.gas import Law, LeakLaw
from rig.sim.leaks import TIGHT, Leak, choked_conductance
from rig.units import STD_CC_PER_MIN_PER_M3_S
from tests.support import leaks as maker
from tests.support.leak_curves import integrate
from tests.support.leaks import INHG_PA, R_AIR, RHO_0, SEA_LEVEL_PA, T_0

LEAKS = [
    Leak(Law.ORIFICE, 9.0 / STD_CC_PER_MIN_PER_M3_S, 0.35),
    Leak(Law.ORIFICE, 9.0 / STD_CC_PER_MIN_PER_M3_S, 0.52),
    Leak(Law.LAMINAR, 4.0 / STD_CC_PER_MIN_PER_M3_S),
    Leak(Law.PERMEATION, 20.0 / STD_CC_PER_MIN_PER_M3_S),
]


@pytest.mark.parametrize("leak", LEAKS)
def test_a_leak_has_its_stated_size(leak: Leak) -> None:
    """At 15 inHg below sea level, 20 degC, the flow is the size that was stated."""
    assert leak.standard_flow(15.0 * INHG_PA) == pytest.approx(leak.size_m3_s, rel=1e-12)


@pytest.mark.parametrize("leak", LEAKS)
def test_flows_at_other_vacuums_and_ambients_follow_the_law(leak: Leak) -> None:
    """The curve maker's laws, scaled to the same size, agree everywhere."""
    unit = maker.Leak(str(leak.law), 1.0, leak.critical_ratio)
    strength = leak.size_m3_s / unit.standard_flow(15.0 * INHG_PA)
    other = maker.Leak(str(leak.law), strength, leak.critical_ratio)
    for ambient_pa in (SEA_LEVEL_PA, 75e3):
        for vacuum_pa in (1e3, 20e3, 40e3, 60e3):
            expected = other.mass_flow(ambient_pa - vacuum_pa, ambient_pa, T_0) / RHO_0
            found = leak.standard_flow(vacuum_pa, ambient_pa)
            assert found == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("leak", LEAKS)
@pytest.mark.parametrize("within_s", [20.0, 300.0])
def test_the_true_drop_is_that_of_the_closed_form(leak: Leak, within_s: float) -> None:
    """Integrated finely, a hand gauge's drop equals the closed form of the flow laws."""
    start_pa = 15.0 * INHG_PA
    found = leak.equivalent_drop(start_pa, within_s, 45e-6)
    law = LeakLaw(leak.law, leak.critical_ratio)
    closed = gas.equivalent_drop(law, leak.size_m3_s, start_pa, within_s, 45e-6)
    assert found == pytest.approx(closed, rel=1e-6, abs=0.05)


@pytest.mark.parametrize("leak", LEAKS)
def test_the_true_drop_is_that_of_an_independent_integration(leak: Leak) -> None:
    """The same against scipy's solver in pieces, at 80 kPa of ambient, over three minutes."""
    ambient_pa, vacuum_pa = 80e3, 50e3
    law = LeakLaw(leak.law, leak.critical_ratio)
    shape = float(law.shape(ambient_pa - vacuum_pa, ambient_pa))
    flow = leak.standard_flow(vacuum_pa, ambient_pa)
    rate_pa_s = flow * RHO_0 * R_AIR * T_0 / 60e-6 / shape
    times_s, pressures_pa = integrate(law, ambient_pa - vacuum_pa, rate_pa_s, ambient_pa, 180.0)
    drop = leak.equivalent_drop(vacuum_pa, float(times_s[-1]), 60e-6, ambient_pa)
    assert drop == pytest.approx(pressures_pa[-1] - pressures_pa[0], rel=1e-5)


@settings(derandomize=True, max_examples=50, deadline=None)
@given(st.sampled_from(LEAKS), st.floats(0.0, 60e3))
def test_above_ambient_a_leak_flows_out(leak: Leak, beyond_pa: float) -> None:
    """A chamber above ambient empties through its leak; at ambient nothing flows."""
    flow = leak.mass_flow(SEA_LEVEL_PA + beyond_pa, SEA_LEVEL_PA, T_0)
    assert flow < 0.0 if beyond_pa > 1e-6 else flow == pytest.approx(0.0, abs=1e-12)


def test_a_tear_opens_above_its_vacuum_only() -> None:
    """Shut below 12 inHg, the whole of it open a little further on."""
    tear = Leak(Law.ORIFICE, 1e-7, 0.4, opens_above_pa=12.0 * INHG_PA)
    assert tear.standard_flow(11.9 * INHG_PA) == 0.0
    assert tear.standard_flow(12.5 * INHG_PA) == pytest.approx(
        Leak(Law.ORIFICE, 1e-7, 0.4).standard_flow(12.5 * INHG_PA)
    )
    falls = [tear.equivalent_drop(15.0 * INHG_PA, t, 45e-6) for t in (60.0, 600.0)]
    assert falls[1] == pytest.approx(3.0 * INHG_PA, rel=0.01)


def test_a_tight_chamber_does_not_leak() -> None:
    """No size, no flow, no drop."""
    assert TIGHT.standard_flow(60e3) == 0.0
    assert TIGHT.equivalent_drop(60e3, 100.0, 45e-6) == 0.0


def test_a_conductance_passes_its_flow_when_choked() -> None:
    """ISO 6358-1: from 20 degC the choked standard flow is C times the pressure upstream."""
    conductance = choked_conductance(3e-7)
    choked = maker.Leak("orifice", conductance, 0.3).mass_flow(10e3, SEA_LEVEL_PA, T_0)
    assert choked / RHO_0 == pytest.approx(3e-7, rel=1e-12)
    assert np.isclose(conductance * SEA_LEVEL_PA, 3e-7)
