"""Check the estimated leak against curves of known truth and its uncertainty against hand sums.

Curves come from `tests.support.curve_maker`, which integrates the leak's differential equation
apart from the program.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.analysis.estimator import LeakEstimate, estimate
from rig.analysis.hold import Hold, HoldConditions, HoldCurve
from rig.analysis.spoiled import inspect
from tests.benchmarks.common import conditions_of, curve_of, limit_of
from tests.support.curve_maker import Made, Scenario, Stated, draw, make
from tests.support.disturbances import Disturbance
from tests.support.leaks import INHG_PA, STD_CC_MIN, Gauge, leak_with_drop
from tests.support.sensors import Sensor
from tests.support.settlings import Exponential, Settling, Warming

LIMIT = limit_of(Gauge())
SOURCES = {"random", "settling", "law", "volume", "span", "gas_temperature", "ambient", "own_leak"}


def estimated(made: Made, conditions: HoldConditions | None = None, **channels) -> LeakEstimate:
    """Estimate the leak of a made curve, with further channels of its record if given."""
    curve = replace(curve_of(made), **channels)
    hold = Hold(curve, conditions or conditions_of(made), LIMIT)
    found = inspect(hold)
    assert found.spoiled == ()
    return estimate(hold, found, time_constants=3.0)


def held(
    law: str,
    multiple: float,
    *,
    volume_cc: float = 75.0,
    ambient_pa: float = 101_325.0,
    temperature_k: float = 293.15,
    start_inhg: float = 15.5,
    settlings: tuple[Settling, ...] = (),
    noise_pa: float = 3.0,
    b: float = 0.45,
    **changes: object,
) -> Made:
    """Make a hold of a leak by its drop over the limit's, in which what is stated is true."""
    volume = volume_cc * 1e-6
    stated = Stated(ambient_pa, temperature_k, volume, 1e-3 * volume, 10.0, 0.05, 1e-3)
    scenario = Scenario(
        stated=stated,
        true_volume_m3=volume,
        true_ambient_pa=ambient_pa,
        true_gas_temperature_k=temperature_k,
        start_vacuum_pa=start_inhg * INHG_PA,
        leak=leak_with_drop(law, multiple * Gauge().max_drop_pa, b),
        settlings=settlings,
        sensor=Sensor(50.0, noise_pa, 2.0),
        seed=11,
    )
    return make(replace(scenario, **changes))


@pytest.mark.parametrize("law", ["orifice", "laminar", "permeation"])
@pytest.mark.parametrize(
    ("ambient_pa", "temperature_k", "start_inhg", "volume_cc"),
    [
        (101_325.0, 293.15, 20.0, 75.0),
        (82_400.0, 308.15, 15.5, 45.0),
        (97_000.0, 283.15, 16.5, 150.0),
    ],
)
def test_the_leak_is_carried_to_sea_level_and_the_limits_vacuum(
    law: str, ambient_pa: float, temperature_k: float, start_inhg: float, volume_cc: float
) -> None:
    """From altitude, heat, cold, another vacuum and volume: right within 3 u, and 5 % at most.

    The law decides what a leak at 82 kPa is at 101: where the curve does not show it, the doubt is
    in u. An orifice choked to the end leaves open where its knee is: that is worth up to 1 %.
    """
    made = held(
        law,
        1.5,
        ambient_pa=ambient_pa,
        temperature_k=temperature_k,
        start_inhg=start_inhg,
        volume_cc=volume_cc,
    )
    got = estimated(made)
    flow, true = got.leak.value * STD_CC_MIN, made.truth.leak_std_cc_min
    assert abs(flow - true) < 3.0 * got.leak.u * STD_CC_MIN + 0.01 * true
    assert flow == pytest.approx(true, rel=0.05)
    assert abs(got.drop.value - made.truth.drop_pa) < 3.0 * got.drop.u + 0.01 * made.truth.drop_pa


@pytest.mark.parametrize("law", ["orifice", "laminar", "permeation"])
def test_a_leak_over_most_of_the_vacuum_names_its_law(law: str) -> None:
    """What the curve shows is named, and the law costs next to nothing then."""
    made = held(law, 8.0, volume_cc=45.0)
    got = estimated(made)
    assert got.leak_kind == law
    assert got.leak.sources["law"] < 0.02 * got.leak.value


def test_a_small_leak_leaves_its_law_open() -> None:
    """At a tenth of the limit a minute's hold shows no law: unclear, and u owns up to it."""
    got = estimated(held("laminar", 0.1, start_inhg=20.0, noise_pa=20.0))
    assert got.leak_kind in {"unclear", "none"}
    assert got.leak.sources["law"] > 0.02 * got.leak.value


@pytest.mark.parametrize("multiple", [0.0, 0.3, 3.0])
def test_uncertainties_add_up_from_named_sources(multiple: float) -> None:
    """Leak and drop name the same sources; u is their root sum of squares (GUM 5.1.2)."""
    got = estimated(held("orifice", multiple, settlings=(Exponential(600.0, 1.5),)))
    for value in (got.leak, got.drop):
        assert set(value.sources) == SOURCES
        assert min(value.sources.values()) >= 0.0
        assert value.u == pytest.approx(math.sqrt(sum(s * s for s in value.sources.values())))


def test_fixed_sources_are_the_stated_uncertainties() -> None:
    """Relative uncertainties of volume, span and ambient are those of the leak, by proportion.

    The gas temperature enters by its own and by a drift of 0.1 K/min either way, every value as
    likely, of gas at the hold's mean pressure.
    """
    made = held("orifice", 1.0, noise_pa=2.0)
    conditions = HoldConditions(101_325.0, 293.15, 75e-6, 1.5e-6, 300.0, 2.0, 0.02)
    got = estimated(made, conditions)
    leak, sources = got.leak.value, got.leak.sources
    assert sources["volume"] == pytest.approx(leak * 1.5 / 75.0)
    assert sources["span"] == pytest.approx(leak * 0.02)
    assert sources["ambient"] == pytest.approx(leak * 300.0 / 101_325.0)
    assert sources["own_leak"] == 0.0
    mean_pa = float(np.mean(made.pressure_pa))
    drift_pa_s = mean_pa * (0.1 / 60.0 / math.sqrt(3.0)) / 293.15
    drift = drift_pa_s * 75e-6 / (1.185 * 288.0 * 293.15)
    expected = math.hypot(leak * 2.0 / 293.15, drift)
    # Blocks are shorter at the start, which moves the mean pressure that is taken.
    assert sources["gas_temperature"] == pytest.approx(expected, rel=0.02)


def test_sources_of_the_drop_follow_those_of_the_leak() -> None:
    """One factor, d drop / d leak, turns the fixed sources of the leak into those of the drop."""
    got = estimated(held("laminar", 2.0))
    fixed = ("volume", "span", "ambient", "gas_temperature")
    factors = [got.drop.sources[name] / got.leak.sources[name] for name in fixed]
    np.testing.assert_allclose(factors, factors[0], rtol=1e-9)
    # Two drops that differ by little give the factor by finite differences.
    more, less = (leak_with_drop("laminar", d) for d in (2.02 * INHG_PA, 1.98 * INHG_PA))
    vacuum = Gauge().from_vacuum_pa
    flows = more.standard_flow(vacuum) - less.standard_flow(vacuum)
    assert factors[0] == pytest.approx(0.04 * INHG_PA / flows, rel=0.02)


def test_a_volume_scales_the_leak_and_nothing_else() -> None:
    """The same curve in twice the volume is twice the leak, with twice its uncertainty."""
    made = held("orifice", 0.5, settlings=(Exponential(500.0, 1.0),))
    once = conditions_of(made)
    twice = replace(once, volume_m3=2.0 * once.volume_m3, volume_u_m3=2.0 * once.volume_u_m3)
    a, b = estimated(made, once), estimated(made, twice)
    assert b.leak.value == pytest.approx(2.0 * a.leak.value, rel=1e-9)
    assert b.leak.u == pytest.approx(2.0 * a.leak.u, rel=1e-9)
    assert (a.leak_kind, a.settling) == (b.leak_kind, b.settling)


@pytest.mark.parametrize(("rise_pa", "tau_s"), [(400.0, 1.0), (1500.0, 3.0)])
@pytest.mark.parametrize("multiple", [0.0, 0.8])
def test_an_exponential_settling_is_described(
    rise_pa: float, tau_s: float, multiple: float
) -> None:
    """Its kind, its rise within 5 % and its time constant within 10 %."""
    got = estimated(held("orifice", multiple, settlings=(Exponential(rise_pa, tau_s),)))
    assert got.settling.kind in {"exponential", "two_exponentials"}
    assert got.settling.rise_pa == pytest.approx(rise_pa, rel=0.05)
    if got.settling.kind == "exponential":
        assert got.settling.time_constant_s == pytest.approx(tau_s, rel=0.1)


def test_a_hold_without_settling_has_none() -> None:
    """A straight leak is not made out to settle."""
    got = estimated(held("orifice", 1.0))
    assert got.settling.kind == "none"
    assert abs(got.settling.rise_pa) < 1.0
    assert got.settling.time_constant_s is None
    assert got.unsettled_drop_pa < 0.02 * Gauge().max_drop_pa


def test_candidates_are_reported_by_weight() -> None:
    """Heaviest first, all of a per mille or more, nearly all together; their mean is it."""
    got = estimated(held("laminar", 0.5, settlings=(Exponential(500.0, 4.0),), noise_pa=20.0))
    weights = [c.weight for c in got.candidates]
    assert weights == sorted(weights, reverse=True)
    assert min(weights) >= 1e-3
    assert sum(weights) == pytest.approx(1.0, abs=0.03)
    mean = sum(c.weight * c.leak_m3_s for c in got.candidates) / sum(weights)
    assert mean == pytest.approx(got.leak.value, abs=0.1 * got.leak.u)
    assert len({(c.law, c.settling) for c in got.candidates}) == len(got.candidates)
    assert np.sum(got.views.weight) == pytest.approx(1.0)
    assert got.views.weight @ got.views.drop_pa == pytest.approx(got.drop.value)


def test_the_fitted_curve_goes_through_the_blocks() -> None:
    """Residuals are no larger than the blocks' uncertainty claims; what is not leak is settling.

    Times are those of the file, pull included.
    """
    settling = (Exponential(800.0, 1.5),)
    pull = Disturbance("pull_down", 0.0, 5.0, 6.0, spoils=False)
    made = held("orifice", 0.5, settlings=settling, disturbances=(pull,))
    got = estimated(made)
    fitted = got.fitted
    z = (fitted.pressure_pa - fitted.fitted_pa) / fitted.mean_u_pa
    assert 0.2 < float(np.sqrt(np.mean(z**2))) < 1.3
    # The first moment, of the closing valve and a sensor that lags, is left out.
    assert made.hold_start_s + 0.3 <= fitted.time_s[0] <= made.hold_start_s + 0.6
    assert made.hold_end_s - 2.0 <= fitted.time_s[-1] <= made.hold_end_s
    rise = fitted.fitted_pa - fitted.leak_only_pa
    gone_by = float(fitted.time_s[0]) - made.hold_start_s
    assert rise[-1] - rise[0] == pytest.approx(800.0 * np.exp(-gone_by / 1.5), rel=0.05)
    assert np.all(np.diff(fitted.leak_only_pa) > 0.0)


def test_the_noise_is_reported() -> None:
    """Noise and step are those of the sensor; the blocks used are counted."""
    made = held("orifice", 1.0, noise_pa=10.0)
    got = estimated(made)
    assert got.noise["white_sd_pa"] == pytest.approx(10.0, rel=0.1)
    assert got.noise["step_pa"] == pytest.approx(2.0, rel=0.01)
    assert got.noise["blocks"] == got.fitted.time_s.size


@pytest.mark.parametrize("drift_k_min", [-0.6, 0.6])
def test_a_recorded_gas_temperature_takes_its_drift_out(drift_k_min: float) -> None:
    """A room that warms raises the pressure like a leak: 0.6 K/min is 0.4 std cm3/min in 400 cm3.

    With the channel the leak is right within 3 u, and u no longer holds the unknown drift; without
    it the error is many times what a steady room would leave.
    """
    warming = Warming(room_k_s=drift_k_min / 60.0)
    made = held("orifice", 1.0, warming=warming, volume_cc=400.0)
    rng = np.random.default_rng(4)
    bead_k = 293.15 + drift_k_min / 60.0 * made.t_s + rng.normal(0.0, 0.02, made.t_s.size)
    got = estimated(made, gas_temperature_k=bead_k)
    true = made.truth.leak_std_cc_min
    assert abs(got.leak.value * STD_CC_MIN - true) < 3.0 * got.leak.u * STD_CC_MIN
    assert got.leak.u * STD_CC_MIN < 0.03 * true
    assert got.gas_warmed_k == pytest.approx(drift_k_min, rel=0.1)
    blind = estimated(made)
    assert blind.gas_warmed_k is None
    assert abs(blind.leak.value * STD_CC_MIN - true) > 0.3


def test_a_steady_channel_narrows_the_unknown_drift() -> None:
    """A bead that stands still rules out most of the drift that is feared without it."""
    made = held("orifice", 0.0)
    steady = 293.15 + np.random.default_rng(5).normal(0.0, 0.02, made.t_s.size)
    with_channel, without = estimated(made, gas_temperature_k=steady), estimated(made)
    assert (
        with_channel.leak.sources["gas_temperature"]
        < 0.4 * (without.leak.sources["gas_temperature"])
    )


def test_more_noise_means_more_uncertainty() -> None:
    """Ten times the noise: the random part grows, and the truth stays inside."""
    settling = (Exponential(500.0, 1.5),)
    quiet = estimated(held("orifice", 0.5, settlings=settling, noise_pa=3.0))
    loud = estimated(held("orifice", 0.5, settlings=settling, noise_pa=30.0))
    assert loud.leak.sources["random"] > 1.5 * quiet.leak.sources["random"]
    true = leak_with_drop("orifice", 0.5 * INHG_PA, 0.45).standard_flow(15.0 * INHG_PA)
    assert abs(loud.leak.value - true) < 3.0 * loud.leak.u


def test_the_stated_random_part_is_the_scatter() -> None:
    """Over 8 repetitions of the noise the leak scatters by what random and settling claim.

    A standard deviation of 8 draws is known to a quarter: within a factor of 2.5.
    """
    scenario = held("orifice", 0.5, settlings=(Exponential(500.0, 1.5),), noise_pa=20.0).scenario
    found = [estimated(make(scenario, noise)) for noise in range(8)]
    scatter = float(np.std([f.leak.value for f in found], ddof=1))
    claimed = float(
        np.median([math.hypot(f.leak.sources["random"], f.leak.sources["settling"]) for f in found])
    )
    assert 0.25 < scatter / claimed < 2.5


def test_slow_noise_widens_the_uncertainty() -> None:
    """1/f noise of the size of the white: found, named, and in u; the leak stays within 3 u."""
    sensor = Sensor(50.0, 10.0, 2.0, pink_pa=10.0)
    for seed in range(2):
        made = held("orifice", 0.3, sensor=sensor, seed=seed)
        got = estimated(made)
        assert got.noise["slow_sd_pa"] > 2.0
        error = got.leak.value * STD_CC_MIN - made.truth.leak_std_cc_min
        assert abs(error) < 3.0 * got.leak.u * STD_CC_MIN


def test_wild_samples_do_not_move_the_estimate() -> None:
    """Forty spikes of up to 40 kPa: the leak moves by less than a tenth of its uncertainty."""
    made = held("orifice", 0.5, settlings=(Exponential(500.0, 1.5),))
    rng = np.random.default_rng(8)
    spiked = made.pressure_pa.copy()
    at = rng.choice(np.arange(20, spiked.size - 20, 3), 40, replace=False)
    spiked[at] += 2.0 * np.round(rng.uniform(300.0, 20_000.0, 40)) * rng.choice([-1.0, 1.0], 40)
    a, b = estimated(made), estimated(replace(made, pressure_pa=np.maximum(spiked, 0.0)))
    assert b.leak.value == pytest.approx(a.leak.value, abs=0.1 * a.leak.u)


def test_a_curve_is_cut_by_time() -> None:
    """What was seen until a moment holds every channel up to it, and nothing after."""
    made = make(draw(3, 1, "true", disturbance="ambient_moved"))
    whole = HoldCurve(made.t_s, made.pressure_pa, made.pressure_pa * 0.0, made.ambient_pa)
    seen = whole.until(12.0)
    assert seen.time_s[-1] <= 12.0 < made.t_s[seen.time_s.size]
    for channel in (seen.pressure_pa, seen.gas_temperature_k, seen.ambient_pa):
        assert channel is not None
        assert channel.size == seen.time_s.size


@pytest.mark.parametrize(("family", "within_two"), [("true", 35), ("false", 32)])
def test_the_uncertainty_covers_drawn_holds(family: str, within_two: int) -> None:
    """Of 40 drawn holds of each family most errors lie within 2 u, none beyond 8 u.

    A fixed draw with wide margins, to notice that something broke; the real table, over thousands
    of curves and by kind, is that of `tests/benchmarks`. Stated 2 u should hold 95 % where the
    shapes are those that the estimator knows ("true"), somewhat less where they are not.
    """
    errors = []
    for index in range(40):
        made = make(draw(77, index, family))
        got = estimated(made)
        errors.append((got.leak.value * STD_CC_MIN - made.truth.leak_std_cc_min) / got.leak.u)
    off = np.abs(errors) / STD_CC_MIN
    assert np.count_nonzero(off < 2.0) >= within_two
    assert np.max(off) < 8.0
