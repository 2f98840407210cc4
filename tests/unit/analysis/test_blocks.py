"""Check block means against plain sums, and wild samples against spikes put in on purpose."""

import numpy as np
import pytest
import scipy.ndimage

from rig.analysis import noise
from rig.analysis.blocks import average, block_edges, running_median, wild_samples

NOISE_PA = 8.0


def irregular_times(seed: int, count: int, hold_s: float) -> np.ndarray:
    """Make rising times with jitter, starting anywhere."""
    rng = np.random.default_rng(seed)
    return 100.0 * rng.standard_normal() + np.sort(rng.uniform(0.0, hold_s, count))


@pytest.mark.parametrize(("count", "hold_s"), [(20, 60.0), (501, 5.0), (3000, 60.0), (2, 1.0)])
@pytest.mark.parametrize("seed", range(5))
def test_every_sample_is_in_exactly_one_block(seed: int, count: int, hold_s: float) -> None:
    """Counts sum to the samples, and count-weighted means to the mean of all: none is skipped."""
    t = irregular_times(seed, count, hold_s)
    p = np.random.default_rng(seed + 100).normal(5e4, 300.0, count)
    blocks = average(t, p)
    assert np.sum(blocks.count) == count
    assert np.all(blocks.count >= 1.0)
    assert blocks.count @ blocks.pressure_pa / count == pytest.approx(p.mean(), rel=1e-12)
    assert blocks.count @ (blocks.time_s - t[0]) / count == pytest.approx(
        np.mean(t - t[0]), rel=1e-9, abs=1e-9
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_block_is_the_plain_mean_of_its_samples(seed: int) -> None:
    """Time, pressure and width of each block are those of the samples between its edges."""
    t = irregular_times(seed, 400, 20.0)
    p = np.random.default_rng(seed).normal(5e4, 300.0, 400)
    blocks, first = average(t, p), block_edges(t)
    stops = [*first[1:].tolist(), 400]
    for i, (begin, stop) in enumerate(zip(first.tolist(), stops, strict=True)):
        times = t[begin:stop]
        assert blocks.time_s[i] == pytest.approx(sum(times) / len(times), rel=1e-12)
        assert blocks.pressure_pa[i] == pytest.approx(sum(p[begin:stop]) / len(times), rel=1e-12)
        # An even spread of half width h has the variance h^2/3.
        assert blocks.half_width_s[i] ** 2 / 3.0 == pytest.approx(np.var(times), abs=1e-9)


def test_the_half_width_of_even_samples_is_known() -> None:
    """Of n samples dt apart the variance is dt^2 (n^2 - 1)/12, so h = dt sqrt(n^2 - 1)/2."""
    blocks = average(0.02 * np.arange(3000), np.zeros(3000))
    expected = 0.02 * np.sqrt(blocks.count**2 - 1.0) / 2.0
    np.testing.assert_allclose(blocks.half_width_s, expected, rtol=1e-7, atol=1e-9)


def test_blocks_are_short_while_the_pressure_settles() -> None:
    """A minute's hold has blocks of a tenth of a second at first, none longer than two seconds.

    Settling is a matter of the first seconds, and fits cost with the number of blocks: at most 150.
    """
    t = 0.02 * np.arange(3000)
    width = np.diff(np.append(t[block_edges(t)], 60.0))
    assert width[0] <= 0.12
    assert np.max(width) <= 2.0
    assert 50 <= width.size <= 150
    # Up to a sample more or less they only grow, but for the rest that the last one is.
    assert np.all(np.diff(width[:-1]) >= -0.021)


def test_a_gap_makes_no_empty_block() -> None:
    """Samples either side of six lost seconds share no block with the gap; all of them count."""
    t = 0.02 * np.arange(3000)
    t = t[(t < 20.0) | (t >= 26.0)]
    blocks = average(t, np.zeros(t.size))
    assert np.sum(blocks.count) == t.size
    assert not np.any((blocks.time_s > 21.1) & (blocks.time_s < 24.9))


def test_the_mean_of_a_block_has_the_noise_of_its_count() -> None:
    """Block means of white noise scatter by sd/sqrt(n): averaging loses no information."""
    rng = np.random.default_rng(4)
    t = 0.02 * np.arange(3000)
    scaled = []
    for _ in range(40):
        blocks = average(t, rng.normal(0.0, NOISE_PA, t.size))
        scaled.append(blocks.pressure_pa * np.sqrt(blocks.count) / NOISE_PA)
    # 40 x about 80 squares of a standard normal: their mean is 1 within 0.025 (one sd).
    assert np.mean(np.square(scaled)) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("size", [11, 12, 40, 999])
def test_the_running_median_is_the_median(size: int) -> None:
    """Inside, it is that of a well-known library; at the ends that of the nearest full window."""
    values = np.random.default_rng(size).normal(0.0, 1.0, size)
    got = running_median(values, 11)
    expected = scipy.ndimage.median_filter(values, 11)
    assert got.size == size
    np.testing.assert_array_equal(got[5 : size - 5], expected[5 : size - 5])
    np.testing.assert_array_equal(got[:5], np.median(values[:11]))
    np.testing.assert_array_equal(got[size - 5 :], np.median(values[-11:]))


def ramp(seed: int, slope_pa_s: float = 30.0, count: int = 3000) -> np.ndarray:
    """Make a noisy ramp at 50 Hz."""
    rng = np.random.default_rng(seed)
    return 5e4 + slope_pa_s * 0.02 * np.arange(count) + rng.normal(0.0, NOISE_PA, count)


@pytest.mark.parametrize("size", [1, 2, 3])
@pytest.mark.parametrize("far_pa", [100.0, 1000.0, -30_000.0])
def test_spikes_and_bursts_are_found_and_nothing_else(size: int, far_pa: float) -> None:
    """Bursts of one to three samples 12 sd off or more are found, every sample of them."""
    for seed in range(10):
        p = ramp(seed)
        at = int(np.random.default_rng(seed).integers(20, 2900))
        p[at : at + size] += far_pa
        wild = wild_samples(p, noise.white_sd(p), noise.converter_step(p))
        assert np.flatnonzero(wild).tolist() == list(range(at, at + size))


def test_many_spikes_are_found() -> None:
    """One sample in fifty half a kilopascal off or more: all are found, and at most one other."""
    p = ramp(77)
    rng = np.random.default_rng(5)
    put = np.zeros(p.size, dtype=bool)
    put[rng.choice(np.arange(6, p.size - 6), 60, replace=False)] = True
    p[put] += rng.choice([-1.0, 1.0], 60) * rng.uniform(500.0, 40_000.0, 60)
    wild = wild_samples(p, noise.white_sd(p), noise.converter_step(p))
    assert np.all(wild[put])
    assert np.count_nonzero(wild & ~put) <= 1


@pytest.mark.parametrize("step_pa", [0.0, 2.0, 8.0, 30.0, 100.0, 400.0])
@pytest.mark.parametrize("slope_pa_s", [0.0, 3.0, 120.0])
def test_clean_noise_has_no_wild_samples(step_pa: float, slope_pa_s: float) -> None:
    """Of clean samples, however coarse their steps, fewer than one in 10 000 is called wild."""
    called = 0
    for seed in range(8):
        p = ramp(seed, slope_pa_s)
        if step_pa > 0.0:
            p = np.round(p / step_pa) * step_pa
        called += np.count_nonzero(wild_samples(p, noise.white_sd(p), noise.converter_step(p)))
    assert called <= 2


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize(("rise_pa", "tau_s"), [(400.0, 1.5), (1000.0, 0.7), (1500.0, 0.5)])
def test_the_first_samples_of_a_settling_are_not_wild(
    rate_hz: float, rise_pa: float, tau_s: float
) -> None:
    """Gas warms fastest at once, as in 20 to 100 cm3: what it does first is no disturbance."""
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    called = 0
    for seed in range(10):
        p = 5e4 - rise_pa * np.expm1(-t / tau_s)
        p += np.random.default_rng(seed).normal(0.0, NOISE_PA, t.size)
        called += np.count_nonzero(wild_samples(p, noise.white_sd(p), 0.0))
    assert called == 0


def test_a_run_at_the_end_of_the_record_is_not_wild() -> None:
    """Five samples at ambient end a record: that is a hose coming off as far as it was seen."""
    p = ramp(3)
    p[-5:] = 101_000.0
    assert not wild_samples(p, noise.white_sd(p), 0.0)[-5:].any()


@pytest.mark.parametrize("size", [0, 1, 5, 11])
def test_too_short_a_record_has_no_wild_samples(size: int) -> None:
    """With no neighbours to compare with, nothing can be called wild."""
    p = np.full(size, 5e4)
    p[size // 2 :] += 1e4
    assert not wild_samples(p, NOISE_PA, 0.0).any()
