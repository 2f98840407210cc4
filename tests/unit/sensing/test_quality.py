"""Tests of what makes a reading unusable: limits by hand, leaps by physics, faults told once."""

import math
from collections.abc import Mapping

import numpy as np
import pytest
import scipy.integrate
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.records import Finding
from rig.sensing.calibration import AdcChannel
from rig.sensing.divider import Divider, Side
from rig.sensing.quality import (
    Cause,
    FaultLog,
    Sound,
    StepWatch,
    sound_pressure,
    sound_thermistor,
    sound_travel,
    sound_voltage,
)
from rig.sensing.straight_line import line_through
from rig.sensing.thermistor import ThermistorCurve

PRESSURE = line_through((0.5, 0.0), (4.5, 115_000.0))
PA_PER_V = 28_750.0
CURVE = ThermistorCurve.three_term(0.001129241, 0.0002341077, 8.775468e-08)
ADC = AdcChannel(12, 5.0)
TOP_V = 4095 * 5.0 / 4096


def named(sound: Sound, *volts: float) -> list[str]:
    """Return the names of why voltages are unusable."""
    return [Cause(each).name.lower() for each in sound.causes(np.array(volts))]


def test_a_pressure_sensor_shows_no_less_than_nothing_and_little_more_than_its_span() -> None:
    """By hand: -2 % of 100 kPa is 0.42 V, 115 kPa is 5.1 V; no volts and all volts are the ends."""
    line = line_through((0.5, 0.0), (4.5, 100_000.0))
    adc = AdcChannel(12, 5.0, input_ratio=2.0)
    sound = sound_pressure(line, adc, zero_u_pa=300.0)
    assert named(sound, 0.0, 0.1, 0.419, 0.421) == [
        *("converter_at_end", "out_of_range", "out_of_range", "none")
    ]
    assert named(sound, 5.09, 5.11, 2.0 * TOP_V) == ["none", "out_of_range", "converter_at_end"]


@pytest.mark.parametrize(
    ("points", "low_v", "high_v"),
    [
        (((1.7, 33_320.0), (3.7, 100_000.0)), 0.66058, 4.14991),
        (((1.0, 90_000.0), (3.0, 250_000.0)), -0.16500, 3.2),
    ],
)
def test_two_points_inside_the_range_do_not_narrow_it(
    points: tuple[tuple[float, float], tuple[float, float]], low_v: float, high_v: float
) -> None:
    """Published points need not be the sensor's ends.

    By hand: from 2 % below nothing to 115 kPa, or a tenth of the span above the upper point.
    """
    sound = sound_pressure(line_through(*points), ADC, zero_u_pa=0.0)
    assert (sound.low_v, sound.high_v) == (
        pytest.approx(low_v, abs=1e-4),
        pytest.approx(high_v, abs=1e-4),
    )


def test_an_uncertain_zero_widens_what_is_believed_below_nothing() -> None:
    """Three standard uncertainties of 2 kPa are 6 kPa."""
    sound = sound_pressure(PRESSURE, ADC, zero_u_pa=2000.0)
    assert sound.low_v == pytest.approx(0.5 - 6000.0 / PA_PER_V)


def test_a_falling_sensor_has_its_limits_the_right_way_round() -> None:
    """A sensor whose volts fall as the pressure rises is as good as any."""
    line = line_through((4.5, 0.0), (0.5, 115_000.0))
    sound = sound_pressure(line, ADC, zero_u_pa=300.0)
    assert (sound.low_v, sound.high_v) == (
        pytest.approx(0.1),
        pytest.approx(4.58),
    )


def test_no_volts_are_a_reading_of_a_voltage_but_the_top_is_not() -> None:
    """A supply that is off reads 0 V; one beyond the converter is not known."""
    assert named(sound_voltage(ADC), 0.0, 2.0, TOP_V) == ["none", "none", "converter_at_end"]
    signed = sound_voltage(AdcChannel(16, 5.0, signed=True))
    assert named(signed, -5.0, -4.9, 0.0) == ["converter_at_end", "none", "none"]


def test_a_travel_sensor_may_rest_at_no_volts_if_its_line_begins_there() -> None:
    """By hand: 50 % beyond 0 to 25 mm on 2 V; no volts are a broken wire where it begins at 0.5."""
    from_none = sound_travel(line_through((0.0, 0.0), (2.0, 0.025)), ADC)
    assert named(from_none, 0.0, 2.99, 3.01) == ["none", "none", "out_of_range"]
    from_half = sound_travel(line_through((0.5, 0.0), (4.5, 0.025)), ADC)
    assert named(from_half, 0.0, 0.1, 4.99) == ["converter_at_end", "none", "none"]


@pytest.mark.parametrize(
    ("side", "low", "high"),
    [
        (Side.TO_GROUND, "sensor_shorted", "sensor_open"),
        (Side.TO_REFERENCE, "sensor_open", "sensor_shorted"),
    ],
)
def test_an_open_thermistor_is_told_from_a_shorted_one(side: Side, low: str, high: str) -> None:
    """Either side: 0.4 % from the ends of the reference is a broken wire or a short."""
    divider = Divider(10_000.0, 5.0, side)
    sound = sound_thermistor(divider, CURVE, ADC)
    assert named(sound, 0.0, 0.019, 2.5, 4.981, TOP_V) == [low, low, "none", high, high]


@pytest.mark.parametrize(
    ("fixed_ohm", "sound_ohm", "beyond_ohm"),
    [(10_000.0, (336_103.2, 185.0), 1_500_000.0), (1000.0, (97_006.9, 185.0), 15.0)],
)
def test_a_thermistor_beyond_any_bench_is_out_of_range(
    fixed_ohm: float, sound_ohm: tuple[float, float], beyond_ohm: float
) -> None:
    """Sound are -40 and -20 degC by a 10 kohm table; megohms and a near short are not."""
    sound = sound_thermistor(Divider(fixed_ohm, 5.0), CURVE, ADC)
    volts = [5.0 * ohm / (ohm + fixed_ohm) for ohm in (*sound_ohm, beyond_ohm)]
    assert named(sound, *volts) == ["none", "none", "out_of_range"]


def test_a_converter_that_ends_below_the_reference_hides_an_open_thermistor() -> None:
    """Then the converter's end is all that can be told."""
    sound = sound_thermistor(Divider(10_000.0, 5.0), CURVE, AdcChannel(12, 3.3))
    assert named(sound, 4095 * 3.3 / 4096) == ["converter_at_end"]


def test_a_curve_without_the_temperature_of_a_room_is_refused() -> None:
    """A set of coefficients that gives only ovens belongs to something else."""
    oven = ThermistorCurve.four_term(1.0 / 600.0, 1e-5, 0.0, 0.0, reference_ohm=1e4)
    with pytest.raises(InputError, match="not the temperature of a room"):
        sound_thermistor(Divider(10_000.0, 5.0), oven, ADC)


def test_a_fixed_resistor_in_the_wrong_unit_is_refused() -> None:
    """10 ohm for 10 kohm would show every temperature as a broken wire, 10 Mohm as a short."""
    for fixed_ohm in (10.0, 1e7):
        with pytest.raises(InputError, match="broken wire or a short"):
            sound_thermistor(Divider(fixed_ohm, 5.0), CURVE, ADC)


# leaps

RATE_HZ = 200.0
ALLOWED_V = 0.005 * 4.0 + 400_000.0 / PA_PER_V / RATE_HZ
"""What a pressure may change between two frames: 0.5 % of its span, and 400 kPa/s."""


def watch() -> StepWatch:
    """Make a watch of one pressure channel."""
    return StepWatch(np.array([400_000.0 / PA_PER_V]), np.array([0.005 * 4.0]))


def wild_frames(pressure_pa: np.ndarray, time_s: np.ndarray | None = None) -> list[int]:
    """Return the frames of one channel, watched to its end, that are wild."""
    times_s = np.arange(len(pressure_pa)) / RATE_HZ if time_s is None else time_s
    found = watch().take(times_s, (0.5 + pressure_pa / PA_PER_V)[None, :], None)
    return [frame for _, frame in found]


def test_one_wild_reading_is_found_and_its_neighbours_are_not() -> None:
    """Up or down, a leap that is back in the next frame is that one reading."""
    for leap_pa in (3000.0, -3000.0, 70_000.0, -40_000.0):
        pressure_pa = np.full(20, 50_000.0)
        pressure_pa[7] += leap_pa
        assert wild_frames(pressure_pa) == [7]


def test_a_leap_within_noise_and_speed_is_none() -> None:
    """By hand: 0.5 % of 115 kPa and 5 ms of 400 kPa/s are 2575 Pa."""
    pressure_pa = np.full(20, 50_000.0)
    pressure_pa[7] += 2570.0
    assert wild_frames(pressure_pa) == []
    pressure_pa[7] += 10.0
    assert wild_frames(pressure_pa) == [7]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_up_to_three_wild_readings_in_a_row_are_found(count: int) -> None:
    """They need not agree with one another."""
    pressure_pa = np.full(20, 50_000.0)
    pressure_pa[7 : 7 + count] = [110_000.0, 5000.0, 90_000.0][:count]
    assert wild_frames(pressure_pa) == list(range(7, 7 + count))


def test_a_leap_that_stays_is_real() -> None:
    """Four frames are longer than air needs; nothing of the step is called wild."""
    pressure_pa = np.full(20, 50_000.0)
    pressure_pa[7:11] = 90_000.0
    assert wild_frames(pressure_pa) == []
    pressure_pa[7:] = 90_000.0
    assert wild_frames(pressure_pa) == []


def filling_pa(bore_mm: float, volume_m3: float, time_s: np.ndarray) -> np.ndarray:
    """Solve the filling of a manifold through a bore that opens at once (ISO 6358-1, by SciPy)."""
    conductance, ratio, room_pa = (
        0.8 * 0.00199 * math.pi / 4 * (bore_mm * 1e-3) ** 2,
        0.4,
        101_325.0,
    )

    def speed(_: float, pressure: np.ndarray) -> np.ndarray:
        share = max(pressure[0] / room_pa - ratio, 0.0) / (1.0 - ratio)
        flow = conductance * room_pa * math.sqrt(max(1.0 - share**2, 0.0))
        return np.array([flow * 1e5 / volume_m3])

    solved = scipy.integrate.solve_ivp(
        speed, (0.0, time_s[-1]), [40_000.0], t_eval=time_s, rtol=1e-8, max_step=1e-4
    )
    return np.asarray(solved.y[0])


@pytest.mark.parametrize("bore_mm", [0.5, 1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("late_s", [0.0, 0.0013, 0.0049])
def test_no_hose_that_comes_off_is_taken_for_wild(bore_mm: float, late_s: float) -> None:
    """From a pinhole to an open stub, whenever the frames fall: a fall to ambient is the truth."""
    time_s = np.arange(0.0, 0.3, 1.0 / RATE_HZ)
    falling = filling_pa(bore_mm, 25e-6, time_s + late_s)
    rng = np.random.default_rng(7)
    pressure_pa = np.concatenate((np.full(30, 40_000.0), falling))
    pressure_pa += rng.normal(0.0, 60.0, pressure_pa.size)
    if bore_mm >= 2.0:
        assert np.max(np.diff(pressure_pa)) > 4000.0
    assert wild_frames(pressure_pa) == []


def test_a_wild_reading_is_found_while_the_vacuum_is_pulled() -> None:
    """A hand pump's 34 kPa/s hides none."""
    pressure_pa = 100_000.0 - 34_000.0 * np.arange(200) / RATE_HZ
    pressure_pa[100] += 20_000.0
    assert wild_frames(pressure_pa) == [100]


def test_after_missing_frames_any_level_is_believed() -> None:
    """In 0.3 s the pressure can have gone anywhere."""
    time_s = np.arange(10) / RATE_HZ
    time_s[5:] += 0.3
    pressure_pa = np.where(np.arange(10) < 5, 20_000.0, 100_000.0)
    assert wild_frames(pressure_pa, time_s) == []


def test_unusable_readings_have_no_part_in_leaps() -> None:
    """Behind a broken wire the last sound reading counts on, and nothing waits for ever."""
    steps = watch()
    volts = np.full((1, 20), 2.0)
    volts[0, 5:9] = 0.0
    usable = volts > 1.0
    times_s = np.arange(20) / RATE_HZ
    assert steps.take(times_s, volts, usable) == []
    volts[0, 0] = 3.0
    assert steps.take(times_s[:1] + 0.1, volts[:, :1], None) == []
    assert steps.undecided == 1
    assert steps.take(times_s + 0.105, np.zeros((1, 20)), np.zeros((1, 20), dtype=bool)) == []
    assert steps.undecided == 0


def test_a_leap_in_the_newest_frame_waits_for_the_next() -> None:
    """It is undecided until the channel is back, or has stayed for more than three frames."""
    steps = watch()
    times_s = np.arange(40) / RATE_HZ
    assert steps.take(times_s[:5], np.full((1, 5), 2.0), None) == []
    assert steps.undecided == 0
    assert steps.take(times_s[5:6], np.array([[4.0]]), None) == []
    assert steps.undecided == 1
    assert steps.take(times_s[6:7], np.array([[2.0]]), None) == [(0, 5)]
    assert steps.undecided == 0
    for frame, undecided in ((7, 1), (8, 2), (9, 3), (10, 0)):
        assert steps.take(times_s[frame : frame + 1], np.array([[4.0]]), None) == []
        assert steps.undecided == undecided
    assert steps.frames == 11


@given(
    st.lists(
        st.lists(st.sampled_from([1.0, 1.05, 2.0, 3.0, 4.0]), min_size=2, max_size=2),
        min_size=1,
        max_size=25,
    ),
    st.lists(st.integers(1, 24), max_size=8),
)
@settings(max_examples=200, derandomize=True, deadline=None)
def test_how_frames_are_split_decides_nothing(rows: list[list[float]], cuts: list[int]) -> None:
    """All at once or in pieces, the same readings are wild; and no more than three must wait."""
    volts = np.array(rows).T
    times_s = np.arange(volts.shape[1]) / RATE_HZ
    fastest, noise = np.array([14.0, 14.0]), np.array([0.02, 0.02])
    whole = StepWatch(fastest, noise).take(times_s, volts, None)
    pieces = StepWatch(fastest, noise)
    found: list[tuple[int, int]] = []
    for part in np.split(np.arange(volts.shape[1]), sorted(cuts)):
        if part.size:
            found += pieces.take(times_s[part], volts[:, part], None)
            assert pieces.undecided <= 3
    assert sorted(found) == sorted(whole)


# telling


def told(log: FaultLog, time_s: np.ndarray, causes: np.ndarray) -> tuple[Finding, ...]:
    """Let a log follow one channel."""

    def figures(channel: int, frame: int) -> Mapping[str, float | str]:
        return {"channel": f"c{channel}", "frame": float(frame)}

    return log.take(time_s, causes.astype(np.int8)[None, :], figures)


def test_a_fault_is_told_once_and_once_when_it_is_over() -> None:
    """Five seconds of a broken wire at 200 frames a second are two findings, with their figures."""
    log = FaultLog(["t_gas"])
    times_s = np.arange(1800) / RATE_HZ
    causes = np.where((times_s >= 1.0) & (times_s < 6.0), Cause.SENSOR_OPEN, 0)
    findings = []
    for part in np.split(np.arange(1800), 180):
        findings += told(log, times_s[part], causes[part])
        assert log.active == ({"t_gas": ("sensor_open",)} if 1.0 <= times_s[part[-1]] < 7.0 else {})
    assert [each.code for each in findings] == ["sensor_open", "reading_usable_again"]
    assert findings[0].figures == {"channel": "c0", "frame": 0.0}
    assert findings[1].figures == {
        "channel": "t_gas",
        "fault": "sensor_open",
        "count": 1000.0,
        "lasting_s": pytest.approx(4.995),
    }
    assert log.excluded == {"t_gas": 1000}


def test_a_fault_that_flickers_is_one_fault() -> None:
    """A loose plug that makes contact for less than a second at a time is told once."""
    times_s = np.arange(4000) / RATE_HZ
    causes = np.where((times_s % 0.9 < 0.2) & (times_s < 10.0), Cause.OUT_OF_RANGE, 0)
    log = FaultLog(["p_a"])
    assert [each.code for each in told(log, times_s, causes)] == [
        *("out_of_range", "reading_usable_again")
    ]
    assert log.excluded["p_a"] == np.count_nonzero(causes)


def test_each_kind_of_fault_has_its_own_finding() -> None:
    """A sensor that drifts out and then breaks says both, in order."""
    times_s = np.arange(1000) / RATE_HZ
    causes = np.zeros(1000)
    causes[100:200] = Cause.OUT_OF_RANGE
    causes[200:300] = Cause.SENSOR_OPEN
    findings = told(FaultLog(["t_gas"]), times_s, causes)
    assert [(each.code, each.figures.get("fault")) for each in findings] == [
        ("out_of_range", None),
        ("sensor_open", None),
        ("reading_usable_again", "out_of_range"),
        ("reading_usable_again", "sensor_open"),
    ]


@given(
    st.lists(st.tuples(st.integers(1, 300), st.sampled_from([0, 0, 1, 4])), max_size=12),
    st.lists(st.integers(1, 2000), max_size=8),
)
@settings(max_examples=100, derandomize=True, deadline=None)
def test_faults_are_told_alike_however_the_frames_are_split(
    spells: list[tuple[int, int]], cuts: list[int]
) -> None:
    """A replay in one piece says what was said live."""
    causes = np.concatenate([np.zeros(1), *(np.full(count, cause) for count, cause in spells)])
    times_s = np.arange(causes.size) / RATE_HZ
    whole, pieces = FaultLog(["p_a"]), FaultLog(["p_a"])
    at_once = told(whole, times_s, causes)
    live: list[Finding] = []
    for part in np.split(np.arange(causes.size), sorted(cuts)):
        if part.size:
            live += told(pieces, times_s[part], causes[part])
    assert [(each.code, each.figures.get("count")) for each in live] == [
        (each.code, each.figures.get("count")) for each in at_once
    ]
    assert pieces.excluded == whole.excluded
    assert pieces.active == whole.active
