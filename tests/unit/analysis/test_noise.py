"""The noise of a record is described as it was made, and as real hardware shows it."""

import math
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter
from scipy.stats import chi2

from rig.analysis import noise

DATA = Path(__file__).parents[2] / "data" / "noise"
PA_PER_M = -11.9
INTERVAL_S = 0.0125


def white(seed: int, samples: int, sd: float = 1.0) -> np.ndarray:
    """Make white noise of a known standard deviation."""
    return np.random.default_rng(seed).normal(0.0, sd, samples)


def autoregressive(seed: int, samples: int, phi: float) -> np.ndarray:
    """Make AR(1) noise x[i] = phi x[i-1] + e[i], e of unit variance, long after its start."""
    return lfilter([1.0], [1.0, -phi], white(seed, samples + 2000))[2000:]


def times(samples: int, interval_s: float = INTERVAL_S) -> np.ndarray:
    """Make evenly spaced times."""
    return np.arange(samples) * interval_s


@cache
def static_sensor() -> tuple[np.ndarray, np.ndarray]:
    """Read the recorded static sensor: times [s] and relative heights [m]."""
    table = np.loadtxt(DATA / "absolute_sensor_static_80hz.csv", delimiter=",", skiprows=1)
    return table[:, 0], table[:, 1]


class TestConverterStep:
    """The step is found from the levels that came, however they were printed."""

    @given(
        step=st.floats(1e-4, 1e3),
        noise_steps=st.floats(0.3, 50.0),
        offset=st.floats(-2e5, 2e5),
        seed=st.integers(0, 10_000),
    )
    @settings(max_examples=60, derandomize=True, deadline=None)
    def test_step_of_noisy_codes(
        self, step: float, noise_steps: float, offset: float, seed: int
    ) -> None:
        """Codes times a step, plus any offset, give back that step to float rounding."""
        codes = np.rint(white(seed, 3000, noise_steps))
        assert noise.converter_step(codes * step + offset * step) == pytest.approx(step, rel=1e-6)

    def test_step_printed_once_more(self) -> None:
        """Steps of 7.63 printed in whole units (as 7 and 8) are still steps of 7.63."""
        printed = np.rint(np.rint(white(1, 4000, 2.0)) * 7.63)
        assert set(np.diff(np.unique(printed))) <= {7.0, 8.0}
        assert noise.converter_step(printed) == pytest.approx(7.63, rel=0.03)

    def test_step_that_never_came_alone(self) -> None:
        """Levels 0, 2, 5 and 9 steps are whole multiples of one step and of nothing larger."""
        levels = np.repeat([0.0, 2.0, 5.0, 9.0], 5) * 0.013 + 84.2
        assert noise.converter_step(levels) == pytest.approx(0.013, rel=1e-9)

    def test_float_dust_is_no_step(self) -> None:
        """The same printed level reached by different float sums is one level."""
        levels = np.array([0.1 + 0.2, 0.3, 0.3, 0.4, 0.4, 0.1 + 0.3, 0.7 - 0.2, 0.5])
        assert noise.converter_step(levels) == pytest.approx(0.1, rel=1e-12)

    @pytest.mark.parametrize("values", [[], [3.0], [3.0, 3.0, 3.0], [1.0, 2.0, 3.0, 4.0]])
    def test_nothing_to_tell(self, values: list[float]) -> None:
        """No value, one level, or no level that came twice: no step can be told."""
        assert noise.converter_step(values) == 0.0

    def test_continuous_values_have_no_step(self) -> None:
        """Unrounded noise has no step, also where some of its values come twice."""
        values = white(2, 2000)
        assert noise.converter_step(values) == 0.0
        assert noise.converter_step(np.append(values, values[:50])) == 0.0

    def test_twelve_thousand_samples_take_under_two_milliseconds(self) -> None:
        """The step of a long record is found within the time of a screen refresh."""
        values = np.rint(white(3, 12_000, 1000.0)) * 0.1
        best_s = math.inf
        for _ in range(20):
            begin_s = time.perf_counter()
            noise.converter_step(values)
            best_s = min(best_s, time.perf_counter() - begin_s)
        assert best_s < 0.002


class TestWhiteSd:
    """The noise from sample to sample is found under whatever the pressure does meanwhile."""

    @pytest.mark.parametrize("seed", range(5))
    @pytest.mark.parametrize("samples", [300, 12_000])
    def test_white_noise(self, samples: int, seed: int) -> None:
        """The standard deviation of white noise comes back within four of its standard errors.

        Second differences of white noise leave a relative standard error of sqrt(35/36/n): their
        correlations are -2/3 and 1/6, so var(s^2)/s^4 = 2 (1 + 2 (4/9 + 1/36)) / n.
        """
        found = noise.white_sd(white(seed, samples, 3.0))
        assert found == pytest.approx(3.0, rel=4.0 * math.sqrt(35.0 / 36.0 / samples))

    @pytest.mark.parametrize("ratio", [0.5, 0.7, 1.0, 2.0, 5.0, 10.0])
    @pytest.mark.parametrize("offset", [0.0, 0.25, 0.5])
    def test_rounded_noise_from_half_a_step_up(self, ratio: float, offset: float) -> None:
        """Noise of half a step or more, once rounded, has the variance sd^2 + step^2/12 (Sheppard).

        At half a step the level within the step still shifts that by up to 2 % (the first harmonic
        of the rounding error, exp(-2 pi^2 / 4) of it); sampling adds 1 % in 12,000 samples.
        """
        recorded = np.rint(white(7, 12_000, ratio) + offset) * 0.2 + 40.0
        assert noise.white_sd(recorded) == pytest.approx(
            0.2 * math.sqrt(ratio**2 + 1.0 / 12.0), rel=0.04
        )

    @pytest.mark.parametrize("ratio", [0.1, 0.25, 0.4])
    @pytest.mark.parametrize("offset", [0.25, 0.5])
    def test_rounded_noise_below_half_a_step(self, ratio: float, offset: float) -> None:
        """Noise too small to dither is what the codes show: the scatter of independent samples."""
        codes = np.rint(white(8, 12_000, ratio) + offset)
        assert noise.white_sd(codes) == pytest.approx(float(np.std(codes)), rel=0.04)

    def test_constant_record_has_no_noise(self) -> None:
        """A record that never changes, and one of two samples, have no noise."""
        assert noise.white_sd(np.full(500, 84.3)) == 0.0
        assert noise.white_sd([1.0, 2.0]) == 0.0

    def test_spikes_steps_and_trend_do_not_enter(self) -> None:
        """Wild samples in 3 %, three jumps and a bent trend change the noise by under 2 %."""
        rng = np.random.default_rng(9)
        clean = rng.normal(0.0, 1.0, 12_000)
        t = np.linspace(0.0, 1.0, clean.size)
        dirty = clean + 3000.0 * np.expm1(-5.0 * t)
        dirty[rng.choice(clean.size, 360, replace=False)] += 400.0
        for jump in (2000, 5000, 9000):
            dirty[jump:] += 150.0
        assert noise.white_sd(dirty) == pytest.approx(1.0, rel=0.02)


class TestAllanDeviation:
    """The deviation falls and rises as the kinds of noise make it."""

    def test_published_example(self) -> None:
        """A thousand-point generator gives the deviations of NIST SP 1065, table 31.

        n[i+1] = 16807 n[i] mod 2147483647, n[0] = 1234567890, values n / 2147483647; overlapping
        deviation at averaging factors 1, 10 and 100: 2.922319e-1, 9.159953e-2, 3.241343e-2. Ten and
        a hundred are no octaves, so the octave 1 is compared and 8 and 64 must enclose them.
        """
        state, values = 1234567890, []
        for _ in range(1000):
            values.append(state / 2147483647)
            state = 16807 * state % 2147483647
        tau_s, deviation = noise.allan_deviation(values, 1.0)
        assert deviation[0] == pytest.approx(2.922319e-1, rel=1e-6)
        assert deviation[tau_s == 8.0][0] > 9.159953e-2 > deviation[tau_s == 16.0][0]
        assert deviation[tau_s == 64.0][0] > 3.241343e-2

    def test_white_noise_falls_as_one_over_root(self) -> None:
        """Of white noise it is sd / sqrt(m), within three standard errors at each octave."""
        tau_s, deviation = noise.allan_deviation(white(11, 16_384, 2.0), 0.5)
        width = tau_s / 0.5
        freedom = 1.5 * 16_384 / width * 4.0 * width**2 / (4.0 * width**2 + 5.0) - 2.0
        expected = 2.0 / np.sqrt(width)
        assert np.all(np.abs(deviation / expected - 1.0) < 3.0 / np.sqrt(2.0 * freedom))

    def test_straight_drift(self) -> None:
        """Of a drift R t without noise it is R tau / sqrt(2)."""
        tau_s, deviation = noise.allan_deviation(0.3 * times(4096, 0.1), 0.1)
        assert deviation == pytest.approx(0.3 * tau_s / math.sqrt(2.0), rel=1e-9)

    def test_too_few_samples_are_refused(self) -> None:
        """Fewer than 16 samples are refused, with the number wanted."""
        with pytest.raises(ValueError, match="give 16"):
            noise.allan_deviation(np.zeros(15), 1.0)


class TestCharacterise:
    """The worth of a mean is that of its independent samples."""

    def test_white_noise(self) -> None:
        """Every sample of white noise counts, and it stays white to the longest time looked at."""
        found = noise.characterise(times(8000), white(12, 8000, 2.5))
        assert found.samples == 8000
        assert found.interval_s == pytest.approx(INTERVAL_S)
        assert found.step == 0.0
        assert found.white_sd == pytest.approx(2.5, rel=0.04)
        assert found.n_eff == pytest.approx(8000.0, rel=0.1)
        assert found.standard_uncertainty_of_mean == pytest.approx(2.5 / math.sqrt(8000), rel=0.1)
        assert found.white_until_s is None
        # Ninety-nine in a hundred such records would show a smaller walk than this one may:
        # K^2 tau / 3 at the longest octave below the scatter of the deviation there.
        assert found.drift_per_root_s < 0.5 * 2.5 * math.sqrt(INTERVAL_S * 3.0) / 12.8

    @pytest.mark.parametrize("phi", [0.5, 0.9, 0.98])
    def test_correlated_noise_is_worth_fewer_samples(self, phi: float) -> None:
        """AR(1) noise is worth n (1 - phi) / (1 + phi) samples, and the mean is as far off as told.

        The median over 100 records lies within 12 % of that; the means divided by their standard
        uncertainty have variance one within the 99.8 % bounds of chi-square, 25 % allowed for the
        few blocks that the longest correlation leaves.
        """
        records, samples = 100, 8192
        worth, pulls = [], []
        for seed in range(records):
            values = autoregressive(1000 + seed, samples, phi)
            found = noise.characterise(times(samples), values)
            worth.append(found.n_eff)
            pulls.append(float(values.mean()) / found.standard_uncertainty_of_mean)
        assert np.median(worth) == pytest.approx(samples * (1 - phi) / (1 + phi), rel=0.12)
        low, high = chi2.ppf([0.001, 0.999], records) / records
        assert low < np.mean(np.square(pulls)) < 1.25 * high

    @pytest.mark.parametrize("walk", [0.1, 0.3, 1.0])
    def test_random_walk(self, walk: float) -> None:
        """White noise plus a walk K stops falling where N^2/tau = K^2 tau/3, and K is found.

        Medians of 25 records of 100 s: the time within 15 % (10 % is the interpolation between
        octaves), K within 10 %; the mean is worth less than one sample in fifty.
        """
        found = []
        for seed in range(25):
            steps = white(2000 + seed, 8000, walk * math.sqrt(INTERVAL_S))
            values = white(3000 + seed, 8000) + np.cumsum(steps)
            figures = noise.characterise(times(8000), values)
            assert figures.white_until_s is not None
            found.append((figures.white_until_s, figures.drift_per_root_s, figures.n_eff))
        until_s, drift, worth = np.median(found, axis=0)
        assert until_s == pytest.approx(math.sqrt(3.0 * INTERVAL_S) / walk, rel=0.15)
        assert drift == pytest.approx(walk, rel=0.1)
        assert worth < 8000 / 50

    def test_undithered_steps_do_not_average_out(self) -> None:
        """A level that sits still inside one step is known to step / sqrt(12), however long.

        Four samples in 4000 come a code off; their scatter adds 0.0005 of a step.
        """
        codes = np.full(4000, 17.0)
        codes[500::1000] += 1.0
        found = noise.characterise(times(4000), codes)
        assert found.step == 1.0
        assert found.standard_uncertainty_of_mean == pytest.approx(1.0 / math.sqrt(12.0), rel=1e-3)

    def test_constant_record(self) -> None:
        """A record without any change has no noise to show and counts as one sample."""
        found = noise.characterise(times(64), np.full(64, 5.0))
        assert (found.white_sd, found.n_eff, found.white_until_s) == (0.0, 1.0, None)
        assert found.standard_uncertainty_of_mean == 0.0

    def test_unusable_records_are_refused(self) -> None:
        """Too few samples, unequal lengths and times that stand still are refused by reason."""
        with pytest.raises(ValueError, match="too few"):
            noise.characterise(times(31), np.zeros(31))
        with pytest.raises(ValueError, match="belong"):
            noise.characterise(times(40), np.zeros(41))
        with pytest.raises(ValueError, match="rise"):
            noise.characterise(np.zeros(40), np.zeros(40))


class TestCorrelationFactor:
    """Residuals that resemble their neighbours raise the variances of a fit."""

    @pytest.mark.parametrize("phi", [0.3, 0.6, 0.9])
    def test_autoregressive_residuals(self, phi: float) -> None:
        """AR(1) residuals raise the variance of a mean (1 + phi)/(1 - phi) times, within 15 %."""
        found = noise.correlation_factor(autoregressive(41, 20_000, phi), 1)
        assert found == pytest.approx((1.0 + phi) / (1.0 - phi), rel=0.15)

    def test_white_residuals(self) -> None:
        """White residuals of a fit raise nothing in about 95 of 100 cases, and little in any."""
        factors = []
        for seed in range(200):
            values = white(4000 + seed, 64)
            line = np.polyfit(times(64), values, 1)
            factors.append(noise.correlation_factor(values - np.polyval(line, times(64)), 2))
        assert 0.90 <= np.mean(np.array(factors) == 1.0) <= 0.99
        assert max(factors) < 3.0

    def test_no_residuals_at_all(self) -> None:
        """A fit without any residual has nothing to raise."""
        assert noise.correlation_factor(np.zeros(20), 2) == 1.0


class TestRecordedSensor:
    """A real sensor at rest: white to about a second, then drifting."""

    def test_step(self) -> None:
        """The levels lie 0.09 m and 0.10 m apart: one step between the two, printed to 0.01 m."""
        _, height_m = static_sensor()
        apart = np.unique(np.round(np.diff(np.unique(height_m)), 6))
        assert list(apart) == [0.09, 0.1]
        assert 0.09 < noise.converter_step(height_m) < 0.095

    def test_noise_and_drift(self) -> None:
        """White to about a second; the mean of 100 s is worth tens of samples, not 8000.

        The sensor's white noise is known from first differences, which drift hardly enters. Its
        drift moves the mean of one half of the record against the other; the standard uncertainty
        of the mean of the whole must be of the size of half that move, not of sd / sqrt(8000).
        """
        time_s, height_m = static_sensor()
        pressure_pa = height_m * PA_PER_M
        found = noise.characterise(time_s, pressure_pa)
        assert found.interval_s == pytest.approx(INTERVAL_S)
        assert found.white_sd == pytest.approx(
            np.std(np.diff(pressure_pa)) / math.sqrt(2), rel=0.02
        )
        assert found.white_until_s is not None
        assert 0.5 < found.white_until_s < 2.0
        halves = pressure_pa.reshape(2, -1).mean(axis=1)
        moved_pa = abs(float(np.diff(halves)[0])) / 2.0
        assert moved_pa / 3.0 < found.standard_uncertainty_of_mean < 3.0 * moved_pa
        assert found.n_eff < 100.0
        assert found.standard_uncertainty_of_mean > 14.0 * found.white_sd / math.sqrt(8000)
