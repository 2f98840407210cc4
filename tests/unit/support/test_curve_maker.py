"""Own the checks of the curve maker against solvers and closed forms; never use the program."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from tests.support import curve_maker, leaks, settlings
from tests.support.curve_maker import FALSE_KINDS, TRUE_KINDS, Scenario, Stated, draw, make
from tests.support.disturbances import KINDS, Disturbance
from tests.support.draws import gas_tau_s
from tests.support.gas_states import Evaporation, GasAndWall, saturation_pa
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA, Gauge, Leak, leak_with_drop
from tests.support.sensors import Sensor, pink_noise
from tests.support.settlings import (
    CutOffCreep,
    Exponential,
    KelvinVoigt,
    LogCreep,
    PowerCreep,
    SaturatingAndrade,
    StretchedExponential,
    Warming,
)

EXACT = Sensor(rate_hz=20.0, noise_pa=0.0, step_pa=1e-6)


def _solved(slope, start, times):
    """Solve an ODE far more finely than the maker does."""
    solution = solve_ivp(
        slope, (0.0, times[-1]), start, t_eval=times, rtol=1e-10, atol=1e-8, max_step=0.05
    )
    return solution.y


@pytest.mark.parametrize("law", ["orifice", "laminar", "permeation"])
@pytest.mark.parametrize("multiple", [0.3, 1.0, 5.0, 12.0])
@pytest.mark.parametrize("b", [0.2, 0.53])
def test_drop_on_gauge_matches_the_differential_equation(law, multiple, b):
    """The closed-form drop equals the law integrated by a solver, and the drop asked for."""
    gauge = Gauge()
    leak = leak_with_drop(law, multiple * INHG_PA, b, gauge)
    inflow = leak.inflow(leaks.T_0, gauge.volume_m3)
    start = SEA_LEVEL_PA - gauge.from_vacuum_pa
    end = _solved(lambda _t, p: [inflow(p[0], SEA_LEVEL_PA)], [start], [0.0, 20.0])[0, -1]
    assert end - start == pytest.approx(multiple * INHG_PA, abs=0.02)
    assert leak.drop_pa(gauge) == pytest.approx(multiple * INHG_PA, abs=1e-6)


def test_flow_at_the_limit_of_a_choked_leak():
    """One inHg in 20 s in 45 cm3, choked, is 4.5695 standard cm3/min: dp V/(dt R rho0 T0)."""
    leak = leak_with_drop("orifice", INHG_PA, 0.53)
    assert leak.standard_flow(15.0 * INHG_PA) * 6e7 == pytest.approx(4.5695, abs=1e-4)


def test_choked_flow_follows_sonic_conductance():
    """ISO 6358-1: a choked orifice passes C p_a sqrt(T0/T) of reference air, whatever p is."""
    leak = Leak("orifice", 2e-12, 0.4)
    expected = 2e-12 * 1.185 * 80_000.0 * math.sqrt(293.15 / 300.0)
    assert leak.mass_flow(10_000.0, 80_000.0, 300.0) == pytest.approx(expected, rel=1e-12)
    assert leak.mass_flow(32_000.0, 80_000.0, 300.0) == pytest.approx(expected, rel=1e-12)
    assert leak.mass_flow(80_000.0, 80_000.0, 300.0) == 0.0


def test_a_drop_of_the_whole_vacuum_is_refused():
    """No finite leak takes exactly all of the vacuum; the maker says so."""
    with pytest.raises(ValueError, match="not within"):
        leak_with_drop("orifice", 15.0 * INHG_PA)


@pytest.mark.parametrize(
    ("law", "shape"),
    [
        ("orifice", Exponential(1_200.0, 0.6)),
        ("orifice", PowerCreep(900.0, 0.1)),
        ("laminar", LogCreep(1_500.0, 0.05)),
        ("permeation", StretchedExponential(1_000.0, 2.0, 0.5)),
    ],
)
@pytest.mark.parametrize("multiple", [0.5, 5.0])
def test_held_pressure_solves_the_gas_equation(law, shape, multiple):
    """Leak at the pressure of the moment, settling and warming together satisfy the ODE."""
    scene = Scenario(
        stated=Stated(ambient_pa=75_000.0),
        true_volume_m3=30e-6,
        true_ambient_pa=75_100.0,
        true_gas_temperature_k=296.0,
        leak=leak_with_drop(law, multiple * INHG_PA, 0.4),
        settlings=(shape,),
        warming=Warming(0.002, 2.0, 100.0, 0.5),
        sensor=EXACT,
    )
    track = curve_maker.true_pressure(scene)
    inflow = scene.leak.inflow(296.0, 30e-6)

    def slope(t, u):
        at = np.array([t])
        p = (u[0] + shape.rise_pa(at)[0]) * scene.warming.factor(at, 296.0)[0]
        return [inflow(p, 75_100.0)]

    start = 75_100.0 - scene.start_vacuum_pa
    u = _solved(slope, [start], track.time_s)[0]
    expected = (u + shape.rise_pa(track.time_s)) * scene.warming.factor(track.time_s, 296.0)
    assert np.max(np.abs(track.pressure_pa - expected)) < 0.1


@pytest.mark.parametrize(
    "hidden",
    [
        GasAndWall(295.0, -8.0, -0.3, 0.6, 60.0, 0.02, 0.5),
        Evaporation(295.0, 2.0, 3e-3, 10.0, 1e9),
    ],
)
def test_hidden_gas_states_solve_their_equations(hidden):
    """The two-state gas and the evaporating water match a solver's, leak included."""
    leak = leak_with_drop("laminar", 2.0 * INHG_PA)
    scene = Scenario(leak=leak, gas=hidden, sensor=EXACT)
    track = curve_maker.true_pressure(scene)
    inflow = leak.inflow(293.15, 45e-6)
    start = SEA_LEVEL_PA - scene.start_vacuum_pa

    def pressure(u, x):
        if isinstance(hidden, GasAndWall):
            return u * (295.0 + x) / 295.0
        return u + x

    def slope(_t, y):
        u, x, z = y
        first = inflow(pressure(u, x), SEA_LEVEL_PA)
        if isinstance(hidden, GasAndWall):
            heat = (z - x) / 0.6 * (1.0 + 0.5 * abs(z - x) ** 0.25)
            return [first, heat, -0.02 * heat - z / 60.0]
        vapour = (saturation_pa(295.0 + z) - x) / 2.0
        return [first, vapour, -3e-3 * vapour - z / 10.0]

    begin = hidden.start()
    u0 = start * 295.0 / (295.0 + begin[0]) if isinstance(hidden, GasAndWall) else start
    u, x, _z = _solved(slope, [u0, *begin], track.time_s)
    assert np.max(np.abs(track.pressure_pa - pressure(u, x))) < 0.5


def test_saturation_pressure_of_water():
    """Water's saturation pressure: 2339 Pa at 20 degC and 4246 Pa at 30 degC (steam tables)."""
    assert saturation_pa(293.15) == pytest.approx(2_339.0, rel=3e-3)
    assert saturation_pa(303.15) == pytest.approx(4_246.0, rel=3e-3)


SHAPES = [
    Exponential(800.0, 3.0),
    LogCreep(800.0, 0.2),
    PowerCreep(800.0, 0.2),
    PowerCreep(800.0, 0.2, 1.0),
    StretchedExponential(800.0, 3.0, 0.6),
    KelvinVoigt((300.0, 300.0, 200.0), (0.4, 3.0, 20.0)),
    CutOffCreep(800.0, 0.1, 30.0),
    SaturatingAndrade(800.0, 5.0),
]


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
def test_settlings_start_at_zero_and_only_rise(shape):
    """A settling costs vacuum from nothing at the start, never gives any back, within its size."""
    rise = shape.rise_pa(np.linspace(0.0, 60.0, 601))
    assert rise[0] == pytest.approx(0.0, abs=1e-9)
    assert np.all(np.diff(rise) >= 0.0)
    assert 0.0 < rise[-1] <= 800.0 + 1e-6


@pytest.mark.parametrize("shape", [LogCreep(800.0, 0.2), PowerCreep(800.0, 0.2, 1.0)])
def test_creep_reaches_its_size_in_a_minute(shape):
    """The size of an endless creep is its rise at 60 s."""
    assert shape.rise_pa(np.array([60.0]))[0] == pytest.approx(800.0)


@pytest.mark.parametrize("time_s", [0.05, 1.0, 10.0, 60.0])
def test_cut_off_creep_is_the_integral_over_relaxation_times(time_s):
    """The quadrature over relaxation times agrees with an adaptive one."""
    exact, _ = quad(lambda x: -math.expm1(-time_s / math.exp(x)), math.log(0.1), math.log(30.0))
    rise = CutOffCreep(800.0, 0.1, 30.0).rise_pa(np.array([time_s]))[0]
    assert rise == pytest.approx(800.0 * exact / math.log(300.0), rel=1e-5)


def test_a_warm_coil_acts_on_its_share_of_the_volume():
    """With half the gas warmed by 2 K the pressure is that of two volumes at two temperatures."""
    warming = Warming(coil_k=2.0, coil_tau_s=1e-3, coil_share=0.5)
    expected = 2.0 / (293.0 / 293.0 + 293.0 / 295.0)
    assert warming.factor(np.array([60.0]), 293.0)[0] == pytest.approx(expected, rel=1e-12)


def test_gas_time_constant_by_volume():
    """Gas warms in 0.5 s in 20 cm3, about 0.8 s in 50 and about 6 s in a litre."""
    assert gas_tau_s(20.0) == pytest.approx(0.5)
    assert gas_tau_s(50.0) == pytest.approx(0.8, rel=0.15)
    assert gas_tau_s(1_000.0) == pytest.approx(6.0, rel=0.05)


def test_span_error_leaves_the_vented_reading_at_the_stated_ambient():
    """Venting ties the offset: at ambient the reading is the stated one, below it is stretched."""
    sensor = replace(EXACT, span_error=0.02)
    true = np.array([100_500.0, 50_500.0])
    read = sensor.read(np.array([0.0, 0.05]), true, 100_500.0, 101_000.0, np.random.default_rng(1))
    assert read == pytest.approx([101_000.0, 101_000.0 - 1.02 * 50_000.0], abs=1e-5)


def test_lag_answers_a_ramp_and_forgets_the_pull():
    """A first-order lag trails a ramp by rate times lag and starts as far behind as stated."""
    sensor = replace(EXACT, rate_hz=200.0, lag_s=0.3, behind_pa=500.0)
    t = np.arange(2_000) / 200.0
    read = sensor.read(t, 100.0 * t, 0.0, 0.0, np.random.default_rng(1))
    expected = 100.0 * (t - 0.3 * -np.expm1(-t / 0.3)) + 500.0 * np.exp(-t / 0.3)
    # The sampled filter holds each sample: half a sample of the ramp, and of the lag's decay.
    assert read[200:] == pytest.approx(expected[200:], abs=0.6)
    assert read[0] == pytest.approx(500.0, abs=1.0)


def test_white_noise_and_steps():
    """The noise has the stated deviation and every reading stands on a step of the converter."""
    sensor = Sensor(noise_pa=20.0, step_pa=31.74)
    flat = np.full(20_000, 50_000.0)
    read = sensor.read(np.arange(20_000) / 50.0, flat, 1e5, 1e5, np.random.default_rng(2))
    levels = (read - read[0]) / 31.74
    assert levels == pytest.approx(np.round(levels), abs=1e-6)
    # Noise and the rounding's own step/sqrt(12) add in squares (Bennett); 20,000 readings: 1 %.
    assert read.std() == pytest.approx(math.hypot(20.0, 31.74 / math.sqrt(12.0)), rel=0.03)


def test_pink_noise_has_equal_power_in_every_octave():
    """Power in the octave of 1/32 of the band equals that of 1/4 of it, within its scatter."""
    rng = np.random.default_rng(3)
    power = sum(np.abs(np.fft.rfft(pink_noise(4_096, rng))) ** 2 for _ in range(200))
    octaves = [power[n : 2 * n].sum() for n in (32, 64, 128, 256)]
    assert np.array(octaves) / np.mean(octaves) == pytest.approx(np.ones(4), rel=0.1)


@pytest.mark.parametrize("family", ["true", "false"])
def test_same_seed_same_curve(family):
    """A curve depends on seed, index and family alone; another noise changes the noise alone."""
    first, again = make(draw(5, 3, family)), make(draw(5, 3, family))
    other = make(draw(5, 3, family), noise=1)
    assert np.array_equal(first.pressure_pa, again.pressure_pa)
    assert not np.array_equal(first.pressure_pa, other.pressure_pa)
    assert other.truth == first.truth
    assert not np.array_equal(first.pressure_pa, make(draw(5, 4, family)).pressure_pa)


def test_what_is_given_does_not_shift_the_rest():
    """Fixing the leak keeps volume, ambient, settling and sensor of the same index."""
    free, fixed = draw(5, 8), draw(5, 8, multiple=1.0)
    assert fixed.leak.drop_pa(fixed.gauge) == pytest.approx(INHG_PA)
    assert replace(fixed, leak=free.leak) == free


def test_truth_lies_around_the_stated_values():
    """Over many draws the standardised errors of what the head states have mean 0 and sd 1."""
    errors = []
    for index in range(1_000):
        s = draw(11, index)
        errors.append(
            [
                (s.true_volume_m3 - s.stated.volume_m3) / s.stated.volume_u_m3,
                (s.true_ambient_pa - s.stated.ambient_pa) / s.stated.ambient_u_pa,
                s.true_gas_temperature_k - s.stated.gas_temperature_k,
                s.sensor.span_error / s.stated.span_u,
            ]
        )
    # 1,000 draws: 3.5 standard errors of a mean and of a standard deviation.
    assert np.mean(errors, axis=0) == pytest.approx(np.zeros(4), abs=3.5 / math.sqrt(1_000.0))
    assert np.std(errors, axis=0) == pytest.approx(np.ones(4), abs=3.5 / math.sqrt(2_000.0))


def test_draws_stay_within_the_bench():
    """Volumes, ambients, start vacuums and noises lie in their ranges and reach their ends."""
    drawn = [draw(12, index, ("true", "false")[index % 2]) for index in range(600)]
    volumes = np.array([s.stated.volume_m3 for s in drawn]) * 1e6
    ambients = np.array([s.stated.ambient_pa for s in drawn])
    noises = np.array([s.sensor.noise_pa for s in drawn])
    starts = np.array([s.start_vacuum_pa for s in drawn]) / INHG_PA
    assert 20.0 <= volumes.min() < 25.0
    assert 1_700.0 < volumes.max() <= 2_000.0
    assert 67_000.0 < ambients.min() < 74_000.0
    assert ambients.max() < 104_000.0
    assert 2.0 <= noises.min() < 2.3
    assert 52.0 < noises.max() <= 60.0
    assert 15.0 <= starts.min() < starts.max() <= 17.0
    assert {s.kind for s in drawn} == {*TRUE_KINDS, *FALSE_KINDS}


@pytest.mark.parametrize(
    ("family", "kind"),
    [*(("true", kind) for kind in TRUE_KINDS), *(("false", kind) for kind in FALSE_KINDS)],
)
def test_settlings_have_the_size_of_the_bench(family, kind):
    """Of tight small parts most settle by less than 0.9 inHg, none by more than 3."""
    rises = []
    for index in range(24):
        scene = draw(13, index, family, kind=kind, multiple=0.0, volume_cc=50.0)
        rises.append(make(scene).truth.settling_pa / INHG_PA)
    assert min(rises) > -0.03
    assert np.median(rises) < 0.9
    assert max(rises) < 3.0


def test_settling_of_a_leaking_curve_is_the_settling_alone():
    """The truth's settling leaves the leak out: the shape's own rise over the hold."""
    shape = Exponential(1_000.0, 3.0)
    scene = Scenario(leak=leak_with_drop("laminar", INHG_PA), settlings=(shape,), sensor=EXACT)
    assert make(scene).truth.settling_pa == pytest.approx(1_000.0, abs=2.0)


def _with(*faults, **changes):
    leak = leak_with_drop("orifice", 0.5 * INHG_PA)
    return make(Scenario(leak=leak, disturbances=faults, **changes))


def test_hose_off_ends_at_ambient():
    """After the hose came off the reading runs to ambient within the time given."""
    made = _with(Disturbance("hose_off", 20.0, 0.5))
    plain = _with()
    before = made.t_s < 19.9
    assert np.array_equal(made.pressure_pa[before], plain.pressure_pa[before])
    assert made.pressure_pa[made.t_s > 21.0] == pytest.approx(SEA_LEVEL_PA, abs=60.0)
    assert made.spoiled is True


def test_frozen_repeats_one_reading():
    """A frozen sensor repeats its last reading to the end."""
    made = _with(Disturbance("frozen", 20.0))
    assert np.ptp(made.pressure_pa[made.t_s >= 20.0]) == 0.0
    assert np.ptp(made.pressure_pa[made.t_s < 20.0]) > 0.0


def test_lost_frames_leave_a_gap():
    """Lost frames are absent: no sample lies in the gap, and all others are unchanged."""
    made, plain = _with(Disturbance("frames_lost", 20.0, 4.0)), _with()
    assert not np.any((made.t_s >= 20.0) & (made.t_s < 24.0))
    keep = np.isin(plain.t_s, made.t_s)
    assert np.array_equal(made.pressure_pa, plain.pressure_pa[keep])
    assert len(plain.t_s) - len(made.t_s) == 200


def test_clipped_readings_lie_on_the_sensors_end():
    """No reading falls below the sensor's end, and the start stands on it."""
    made = _with(Disturbance("clipped", size=500.0))
    assert made.pressure_pa[0] == made.pressure_pa.min()
    assert np.ptp(made.pressure_pa[made.t_s < 1.0]) == 0.0


def test_wild_samples_are_few_and_far_off():
    """About the stated share of samples is at least 500 Pa off; the others are untouched."""
    made, plain = _with(Disturbance("wild_samples", size=0.02)), _with()
    wild = made.pressure_pa != plain.pressure_pa
    assert 30 <= wild.sum() <= 95
    assert np.min(np.abs(made.pressure_pa - plain.pressure_pa)[wild]) >= 500.0


def test_moved_ambient_shows_on_the_barometer_alone():
    """When the room's pressure moves, the barometer shows it and the absolute reading does not."""
    made, plain = _with(Disturbance("ambient_moved", 20.0, 5.0, -1_500.0)), _with()
    assert np.array_equal(made.pressure_pa, plain.pressure_pa)
    assert made.ambient_pa[made.t_s < 20.0].mean() == pytest.approx(SEA_LEVEL_PA, abs=2.0)
    moved = made.ambient_pa[made.t_s > 25.0].mean()
    assert moved == pytest.approx(SEA_LEVEL_PA - 1_500.0, abs=2.0)


def test_pull_and_vent_enclose_the_hold():
    """A whole recording begins and ends at ambient and holds the plain curve in between."""
    pull = Disturbance("pull_down", 0.0, 6.0, 5.0, spoils=False)
    vent = Disturbance("vented_after", 0.0, 1.0, spoils=False)
    made, plain = _with(vent, pull, sensor=EXACT), _with(sensor=EXACT)
    inside = (made.t_s >= made.hold_start_s - 1e-9) & (made.t_s <= made.hold_end_s + 1e-9)
    assert made.pressure_pa[inside] == pytest.approx(plain.pressure_pa, abs=1e-5)
    ends = made.pressure_pa[[0, -1]]
    assert ends == pytest.approx([SEA_LEVEL_PA, SEA_LEVEL_PA], abs=50.0)
    assert np.all(np.diff(made.pressure_pa[made.t_s < made.hold_start_s]) <= 1e-5)
    assert np.all(np.diff(made.t_s) > 0.0)
    assert made.spoiled is False


def test_delayed_start_loses_the_beginning():
    """A late recording is the plain curve without its beginning, its time from zero."""
    late = Disturbance("start_delayed", 5.0, spoils=False)
    made, plain = _with(late, sensor=EXACT), _with(sensor=EXACT)
    assert made.t_s[0] == 0.0
    assert made.pressure_pa == pytest.approx(plain.pressure_pa[plain.t_s >= 5.0], abs=1e-5)


@pytest.mark.parametrize("kind", KINDS)
def test_every_disturbance_can_be_drawn(kind):
    """Each kind of disturbance draws, is labelled and leaves a finite record in rising time."""
    made = make(draw(14, 2, disturbance=kind))
    assert made.labels["disturbance"] != "none"
    assert np.all(np.isfinite(made.pressure_pa))
    assert np.all(np.diff(made.t_s) > 0.0)


def test_partial_jump_is_one_step_of_its_size():
    """A seat that pops costs its size at once, the leak before and after going on."""
    scene = draw(14, 2, kind="none", multiple=0.0, disturbance="partial_jump")
    rise = make(scene).truth.settling_pa
    assert rise == pytest.approx(scene.disturbances[0].size, abs=1.0)


def test_unknown_names_are_refused():
    """A misspelt kind of disturbance or family is an error, not a default."""
    with pytest.raises(ValueError, match="no disturbance"):
        draw(1, 1, disturbance="hose")
    with pytest.raises(KeyError):
        draw(1, 1, "neither")


def test_file_text_states_the_head_and_every_sample():
    """A curve file carries the stated values in its head and one line a sample."""
    made = _with()
    lines = made.csv_text().splitlines()
    assert lines[:4] == [
        "# ambient_kpa: 101.325",
        "# gas_temperature_c: 20",
        "# volume_cc: 45",
        "# volume_u_cc: 0.45",
    ]
    assert lines[4] == "t_s,pressure_kpa"
    assert len(lines) == 5 + len(made.t_s)
    time_s, pressure_kpa = (float(cell) for cell in lines[-1].split(","))
    assert time_s == pytest.approx(60.0)
    assert pressure_kpa * 1e3 == pytest.approx(made.pressure_pa[-1], abs=0.051)


def test_support_never_imports_the_program():
    """The makers stand apart from the program: no module of theirs imports rig."""
    for source in Path(settlings.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not [name for name in names if name.split(".")[0] == "rig"], source
