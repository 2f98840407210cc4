"""Check the leak laws against their differential equations, tables and finite differences."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis import gas
from rig.analysis.gas import (
    Law,
    LeakLaw,
    conductance_from_rate,
    rate_at_ambient,
    rate_from_conductance,
    slope_from_flow,
    standard_flow,
)
from rig.units import SEA_LEVEL_PA, STD_CC_PER_MIN_PER_M3_S
from tests.support.leak_curves import flow_share, integrate

DATA = Path(__file__).parents[2] / "data" / "gas"
LAWS = [
    LeakLaw(Law.ORIFICE, 0.0),
    LeakLaw(Law.ORIFICE, 0.2),
    LeakLaw(Law.ORIFICE, 0.5),
    LeakLaw(Law.ORIFICE, 0.528),
    LeakLaw(Law.LAMINAR),
    LeakLaw(Law.PERMEATION),
]
ORIFICES = LAWS[:4]
AMBIENTS_PA = [SEA_LEVEL_PA, 82_400.0]


def _name(value: object) -> str | None:
    return f"{value.law}-{value.critical_ratio}" if isinstance(value, LeakLaw) else None


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


def _numbers(name: str) -> list[dict[str, float]]:
    return [{key: float(value) for key, value in row.items()} for row in _rows(name)]


@pytest.mark.parametrize("ambient_pa", AMBIENTS_PA)
@pytest.mark.parametrize("start_share", [0.0, 0.3, 0.7])
@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_the_closed_form_solves_the_equation(law, start_share, ambient_pa):
    """Every law must follow its ODE to ten digits, from choked and unchoked starts."""
    start_pa = start_share * ambient_pa
    times_s, pressures_pa = integrate(law, start_pa, 900.0, ambient_pa, 250.0)
    found = law.pressure(times_s, start_pa, 900.0, ambient_pa)
    np.testing.assert_allclose(found, pressures_pa, rtol=1e-10, atol=1e-6)


@pytest.mark.parametrize("row", _numbers("derived_charge_isothermal.csv"))
def test_derived_filling_times(row):
    """Time to reach a pressure, and the pressure then, must agree with the table's nine digits."""
    law, ambient_pa = LeakLaw(Law.ORIFICE, row["b"]), row["p1_Pa"]
    rate = rate_from_conductance(row["C_m3_per_sPa"], ambient_pa, row["T_K"], row["V_m3"])
    assert ambient_pa / rate == pytest.approx(row["tau_s"], rel=1e-8)
    time_s = law.time_to_reach(row["p_Pa"], row["p_start_Pa"], rate, ambient_pa)
    assert time_s == pytest.approx(row["t_s"], rel=1e-8)
    found = law.pressure(row["t_s"], row["p_start_Pa"], rate, ambient_pa)
    assert found == pytest.approx(row["p_Pa"], rel=1e-8)


def test_reference_atmosphere():
    """The constants must be those of ISO 8778, and together give its 100 kPa to 0.05 %."""
    value = {row["symbol"]: float(row["value"]) for row in _rows("constants.csv")}
    assert value["T0"] == gas.STANDARD_TEMPERATURE_K
    assert value["rho0"] == gas.STANDARD_DENSITY
    assert value["R"] == gas.GAS_CONSTANT
    p0 = gas.STANDARD_DENSITY * gas.GAS_CONSTANT * gas.STANDARD_TEMPERATURE_K
    assert p0 == pytest.approx(value["p0"], rel=5e-4)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_shape_follows_the_law(law):
    """The shape must be the law's own share: one into a vacuum, none at and above ambient."""
    pressures_pa = np.linspace(0.0, 1.0, 101) * 98_000.0
    expected = [flow_share(law, p, 98_000.0) for p in pressures_pa]
    np.testing.assert_allclose(law.shape(pressures_pa, 98_000.0), expected, atol=1e-15)
    assert law.shape(0.0, 98_000.0) == 1.0
    np.testing.assert_array_equal(law.shape([98_000.0, 99_000.0], 98_000.0), 0.0)


def _central(function, at: float, step: float) -> np.ndarray:
    """Differentiate by the seven-point central rule, error of order step^6."""
    weights = {1: 45.0, 2: -9.0, 3: 1.0}
    return (
        sum(w * (function(at + k * step) - function(at - k * step)) for k, w in weights.items())
        / 60.0
        / step
    )


CASES = [
    (0.1, 300.0), (0.1, 900.0), (0.45, 900.0), (0.7, 300.0), (0.9, -500.0), (0.7, 0.0),
    (0.99, -90.0),
]  # fmt: skip
"""Start as a share of ambient, and rate [Pa/s]: choked all along, across the knee, unchoked,
backwards across the knee, at rest, and backwards from nearly filled."""
TIMES_S = np.array([0.0, 7.0, 40.0, 71.0])


@pytest.mark.parametrize("ambient_pa", AMBIENTS_PA)
@pytest.mark.parametrize(("start_share", "rate_pa_s"), CASES)
@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_derivatives_of_rate_and_start(law, start_share, rate_pa_s, ambient_pa):
    """Rate and start derivatives must agree with central differences to 9 digits."""
    start_pa = start_share * ambient_pa
    p = law.pressure(TIMES_S, start_pa, rate_pa_s, ambient_pa)
    by_rate = _central(lambda r: law.pressure(TIMES_S, start_pa, r, ambient_pa), rate_pa_s, 0.3)
    found = law.derivative_rate(TIMES_S, p, ambient_pa)
    np.testing.assert_allclose(found, by_rate, rtol=1e-9, atol=1e-8)
    by_start = _central(lambda s: law.pressure(TIMES_S, s, rate_pa_s, ambient_pa), start_pa, 30.0)
    found = law.derivative_start(p, start_pa, ambient_pa)
    np.testing.assert_allclose(found, by_start, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("ambient_pa", AMBIENTS_PA)
@pytest.mark.parametrize(("start_share", "rate_pa_s"), CASES)
@pytest.mark.parametrize("critical_ratio", [0.2, 0.4, 0.53])
def test_derivative_of_the_critical_ratio(critical_ratio, start_share, rate_pa_s, ambient_pa):
    """The derivative in b must agree with central differences, choked or not at either end."""
    start_pa = start_share * ambient_pa

    def curve(b: float) -> np.ndarray:
        return LeakLaw(Law.ORIFICE, b).pressure(TIMES_S, start_pa, rate_pa_s, ambient_pa)

    found = LeakLaw(Law.ORIFICE, critical_ratio).derivative_critical_ratio(
        TIMES_S, start_pa, rate_pa_s, ambient_pa
    )
    expected = _central(curve, critical_ratio, 1e-3)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-6)


def test_derivative_of_the_critical_ratio_is_continuous_at_the_knee():
    """A start just below and just above the knee must see the same derivative."""
    law, knee_pa = LeakLaw(Law.ORIFICE, 0.4), 0.4 * 1e5
    below, above = (
        law.derivative_critical_ratio(TIMES_S, knee_pa + side, 500.0, 1e5) for side in (-1e-4, 1e-4)
    )
    np.testing.assert_allclose(below, above, rtol=1e-7, atol=1e-3)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_derivative_of_the_shape(law):
    """The slope of the shape must agree with central differences, and be finite at ambient."""
    pressures_pa = np.array([0.1, 0.15, 0.35, 0.7, 0.9, 0.99]) * 1e5
    expected = _central(lambda move: law.shape(pressures_pa + move, 1e5), 0.0, 20.0)
    found = law.derivative_shape(pressures_pa, 1e5)
    np.testing.assert_allclose(found, expected, rtol=1e-8, atol=1e-14)
    at_ambient = law.derivative_shape(1e5, 1e5)
    assert np.isfinite(at_ambient)
    assert at_ambient <= found[-1]


def test_derivatives_vanish_at_ambient():
    """Once the volume has filled, nothing may move the curve any more."""
    law = LeakLaw(Law.ORIFICE, 0.4)
    p = law.pressure(1e4, 3e4, 500.0, 1e5)
    assert p == 1e5
    assert law.derivative_rate(1e4, p, 1e5) == 0.0
    assert law.derivative_start(p, 3e4, 1e5) == 0.0
    assert law.derivative_critical_ratio(1e4, 3e4, 500.0, 1e5) == pytest.approx(0.0, abs=1e-9)
    filled = law.derivative_critical_ratio(TIMES_S, 1.001e5, 500.0, 1e5)
    np.testing.assert_allclose(filled, 0.0, atol=1e-9)


@pytest.mark.parametrize("law", LAWS[4:], ids=_name)
def test_only_the_orifice_has_a_critical_ratio(law):
    """The other laws must not depend on a critical ratio."""
    np.testing.assert_array_equal(law.derivative_critical_ratio(TIMES_S, 5e4, 500.0, 1e5), 0.0)


some_law = st.one_of(
    st.builds(LeakLaw, st.just(Law.ORIFICE), st.floats(0.0, 0.95)),
    st.builds(LeakLaw, st.sampled_from([Law.LAMINAR, Law.PERMEATION])),
)
some_share = st.floats(0.0, 0.98)
some_ambient = st.floats(60_000.0, 106_000.0)
some_rate = st.floats(0.01, 5e4)
some_time = st.floats(0.0, 300.0)
with_examples = settings(derandomize=True, deadline=None, max_examples=200)


@given(law=some_law, share=some_share, ambient_pa=some_ambient, rate=some_rate)
@with_examples
def test_a_leak_only_fills_and_never_past_ambient(law, share, ambient_pa, rate):
    """Under a positive rate the pressure must never fall, nor pass ambient, nor miss its start."""
    start_pa = share * ambient_pa
    p = law.pressure(np.linspace(0.0, 500.0, 101), start_pa, rate, ambient_pa)
    assert p[0] == pytest.approx(start_pa, abs=1e-10 * ambient_pa)
    assert np.all(np.diff(p) >= -1e-10)
    assert np.all(p <= ambient_pa)


@given(law=some_law, share=some_share, ambient_pa=some_ambient, rate=some_rate,
       times_s=st.tuples(some_time, some_time))  # fmt: skip
@with_examples
def test_a_curve_may_be_taken_up_anywhere(law, share, ambient_pa, rate, times_s):
    """Going on from the pressure at t1 for t2 must end where t1 + t2 from the start does."""
    first_s, second_s = times_s
    start_pa = share * ambient_pa
    middle_pa = law.pressure(first_s, start_pa, rate, ambient_pa)
    end_pa = law.pressure(second_s, middle_pa, rate, ambient_pa)
    direct_pa = law.pressure(first_s + second_s, start_pa, rate, ambient_pa)
    assert end_pa == pytest.approx(direct_pa, abs=1e-9 * ambient_pa)


@given(law=some_law, share=some_share, end_share=some_share, ambient_pa=some_ambient,
       rate=some_rate)  # fmt: skip
@with_examples
def test_time_to_reach_is_the_inverse_of_pressure(law, share, end_share, ambient_pa, rate):
    """At the time to reach a pressure the curve must stand there, also before its start."""
    start_pa, end_pa = share * ambient_pa, end_share * ambient_pa
    time_s = law.time_to_reach(end_pa, start_pa, rate, ambient_pa)
    assert time_s * (end_pa - start_pa) >= 0
    found = law.pressure(time_s, start_pa, rate, ambient_pa)
    assert found == pytest.approx(end_pa, abs=1e-10 * ambient_pa)


@given(law=some_law, share=some_share, ambient_pa=some_ambient, rate=some_rate, time_s=some_time)
@with_examples
def test_a_negative_rate_runs_backwards(law, share, ambient_pa, rate, time_s):
    """Going back from the end at the opposite rate must find the start, below ambient."""
    start_pa = share * ambient_pa
    end_pa = law.pressure(time_s, start_pa, rate, ambient_pa)
    if end_pa < 0.9999 * ambient_pa:
        back_pa = law.pressure(time_s, end_pa, -rate, ambient_pa)
        assert back_pa == pytest.approx(start_pa, abs=1e-8 * ambient_pa)
        reverse_pa = law.pressure(-time_s, end_pa, rate, ambient_pa)
        assert reverse_pa == pytest.approx(back_pa, abs=1e-9 * ambient_pa)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_what_a_curve_never_reaches(law):
    """Above ambient no time is finite; ambient itself is reached in finite time by the orifice."""
    assert law.time_to_reach(100_001.0, 3e4, 500.0, 1e5) == math.inf
    at_ambient = float(law.time_to_reach(1e5, 3e4, 500.0, 1e5))
    assert math.isfinite(at_ambient) == (law.law is Law.ORIFICE)
    np.testing.assert_array_equal(
        law.time_to_reach([3e4, 4e4, 2e4], 3e4, 0.0, 1e5), [0.0, math.inf, math.inf]
    )


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_a_start_above_ambient_counts_as_ambient(law):
    """Noise that lifts a start above ambient must give ambient, and no warning."""
    np.testing.assert_array_equal(law.pressure(TIMES_S, 100_050.0, 500.0, 1e5), 1e5)


@pytest.mark.parametrize("law", LAWS, ids=_name)
def test_a_start_below_perfect_vacuum_stays_finite(law):
    """An estimator that strays to a start that cannot be must get a finite curve, no warning."""
    assert np.isfinite(law.pressure(TIMES_S, -1.2e5, 500.0, 1e5)).all()


def test_arrays_broadcast_together():
    """A column of starts and rates against a row of times must give a table, row by row."""
    law = LeakLaw(Law.ORIFICE, 0.4)
    starts_pa, rates_pa_s = np.array([[2e4], [5e4], [8e4]]), np.array([[100.0], [300.0], [50.0]])
    table = law.pressure(TIMES_S, starts_pa, rates_pa_s, 1e5)
    for row, start, rate in zip(table, starts_pa.flat, rates_pa_s.flat, strict=True):
        np.testing.assert_array_equal(row, law.pressure(TIMES_S, start, rate, 1e5))


@pytest.mark.parametrize("critical_ratio", [-0.01, 1.0, 1.5, math.nan])
def test_an_impossible_critical_ratio_is_refused(critical_ratio):
    """A critical ratio outside 0 <= b < 1 must be refused."""
    with pytest.raises(ValueError, match="outside"):
        LeakLaw(Law.ORIFICE, critical_ratio)


@given(flow=st.floats(-1e-6, 1e-6), volume=st.floats(1e-6, 1e-2), kelvin=st.floats(250.0, 400.0))
@with_examples
def test_flow_slope_and_conductance_round_trips(flow, volume, kelvin):
    """Flow to slope and back, and conductance to rate and back, must be the identity."""
    slope = slope_from_flow(flow, volume, kelvin)
    assert standard_flow(slope, volume, kelvin) == pytest.approx(flow, rel=1e-14)
    rate = rate_from_conductance(flow, 9e4, kelvin, volume)
    assert conductance_from_rate(rate, 9e4, kelvin, volume) == pytest.approx(flow, rel=1e-14)


def test_a_standard_flow_means_its_volume_of_reference_air():
    """One standard cm3/min must raise 60 cm3 at 20 degC by rho0 R T0/3600 Pa a second."""
    slope = slope_from_flow(1.0 / STD_CC_PER_MIN_PER_M3_S, 60e-6, 293.15)
    assert slope == pytest.approx(1.185 * 288.0 * 293.15 / 3600.0, rel=1e-12)


def test_rate_under_another_ambient():
    """C, K and G of one leak at two ambients, written out, must give the scaled rates."""
    V, T, low_pa, high_pa = 45e-6, 293.15, 82_400.0, 101_325.0

    def rates(p_a: float) -> dict[Law, float]:
        return {
            Law.ORIFICE: 1e-12 * 1.185 * p_a * 288.0 * T / V,
            Law.LAMINAR: 3e-18 * p_a**2 * 288.0 * T / V,
            Law.PERMEATION: 2e-13 * p_a * 288.0 * T / V,
        }

    for law, rate in rates(low_pa).items():
        expected = rates(high_pa)[law]
        assert rate_at_ambient(law, rate, low_pa, high_pa) == pytest.approx(expected, rel=1e-12)
