"""Check what sensors add to the truth: errors, white noise, slow noise and lag."""

import math

import numpy as np
import pytest

from rig.sim.instruments import Instruments
from rig.sim.plant_settings import PlantSettings
from rig.sim.sensors import Bead, Sensor, SensorErrors, draw_errors


def _readings(errors: SensorErrors, count: int, seed: int = 1, step_s: float = 0.005) -> np.ndarray:
    sensor = Sensor(errors, seed, "p_a")
    return np.array([sensor.read(50e3, step_s) for _ in range(count)])


def test_white_noise_is_white_and_as_large_as_stated() -> None:
    """4 Pa a reading, and the mean of 100 readings varies by a tenth of that."""
    noise = _readings(SensorErrors(white=4.0), 40_000) - 50e3
    assert noise.std() == pytest.approx(4.0, rel=0.02)
    assert noise.reshape(-1, 100).mean(axis=1).std() == pytest.approx(0.4, rel=0.1)


def test_slow_noise_falls_as_one_over_f() -> None:
    """Between its fastest and its slowest times, a decade of frequency holds the same power."""
    powers = []
    for seed in range(12):
        noise = _readings(SensorErrors(slow=2.0), 16_384, seed, 0.05)
        spectrum = np.abs(np.fft.rfft(noise - noise.mean())) ** 2
        hertz = np.fft.rfftfreq(noise.size, 0.05)
        bands = [(hertz > low) & (hertz <= 10.0 * low) for low in (0.005, 0.05, 0.5)]
        powers.append([2.0 * spectrum[band].sum() / noise.size**2 for band in bands])
    mean = np.mean(powers, axis=0)
    assert mean == pytest.approx(np.full(3, 4.0), rel=0.25)


def test_slow_noise_does_not_depend_on_the_rate() -> None:
    """Read ten times as often, it wanders as far in a second."""
    wandering = []
    for step_s in (0.005, 0.05):
        skip = round(1.0 / step_s)
        steps = [
            np.diff(_readings(SensorErrors(slow=2.0), 40 * skip, seed, step_s)[::skip])
            for seed in range(20)
        ]
        wandering.append(float(np.concatenate(steps).std()))
    assert wandering[0] == pytest.approx(wandering[1], rel=0.15)


def test_zero_and_span_errors_are_what_was_drawn() -> None:
    """A reading is (1 + span) value + zero."""
    sensor = Sensor(SensorErrors(zero=-120.0, span=0.01), 1, "p_a")
    assert sensor.read(50e3, 0.005) == pytest.approx(50e3 * 1.01 - 120.0)


def test_errors_are_drawn_within_their_uncertainty() -> None:
    """Standard deviation as stated (a little less: no more than twice it), mean zero."""
    drawn = [
        draw_errors(seed, "p_a", zero_u=300.0, span_u=0.01, white=0.0, slow=0.0)
        for seed in range(2000)
    ]
    for values, u in (([e.zero for e in drawn], 300.0), ([e.span for e in drawn], 0.01)):
        assert np.mean(values) == pytest.approx(0.0, abs=0.1 * u)
        assert np.std(values) == pytest.approx(0.96 * u, rel=0.05)
        assert max(map(abs, values)) <= 2.0 * u


def test_a_bead_lags() -> None:
    """63 % of a step after one time constant, whatever the step of time."""
    for step_s in (0.01, 0.5):
        bead = Bead(293.15, 8.0)
        for _ in range(round(8.0 / step_s)):
            bead.follow(303.15, step_s)
        assert bead.temperature_k == pytest.approx(303.15 - 10.0 / math.e, rel=1e-9)


def test_each_sensor_has_noise_of_its_own() -> None:
    """Two pressure sensors of a bench see the same pressure with other errors and noise."""
    bench = Instruments(PlantSettings(seed=5))
    true = {"p_a": 9e4, "p_b": 9e4, "barometer": 9e4, "supply": 12.0, "travel": 0.004}
    rows = np.array([[*bench.read(true, 0.005).values()][:2] for _ in range(500)])
    assert abs(np.corrcoef(rows.T)[0, 1]) < 0.2
    assert bench.errors("p_a") != bench.errors("p_b")


def test_a_perfect_bench_reads_the_truth() -> None:
    """Without noise every reading is its value, and the gas bead its temperature."""
    bench = Instruments(PlantSettings(noisy=False, room_k=295.0))
    true = {"p_a": 9e4, "p_b": 8e4, "barometer": 1e5, "supply": 12.0, "travel": 0.004}
    assert bench.read(true, 0.005) == {**true, "t_gas": 295.0, "t_bath": 295.0}


def test_the_gas_bead_sees_the_wall_more_than_the_gas() -> None:
    """A pull that cools the gas by 20 K for half a second hardly moves the bead."""
    bench = Instruments(PlantSettings(noisy=False, room_k=295.0))
    for _ in range(100):
        bench.feel(275.0, 295.0, 295.0, 0.005)
    true = {"p_a": 9e4, "p_b": 8e4, "barometer": 1e5, "supply": 12.0, "travel": 0.004}
    assert 294.7 < bench.read(true, 0.005)["t_gas"] < 295.0
