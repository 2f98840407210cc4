"""Tests of the board's time told in the host's, against a simulated line with jitter and drift."""

from collections.abc import Callable

import numpy as np
import pytest

from rig.errors import LinkError
from rig.sensing.board_clock import BoardClock

Jitter = Callable[[np.random.Generator, int], np.ndarray]
PERIOD_US = 5000
FLOOR_S = 0.001


def told(
    drift_ppm: float,
    jitter: Jitter,
    poll_s: float | None,
    lasting_s: float,
    *,
    seed: int = 3,
    backlog_s: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Send frames over a late line; return their true times and those told.

    The board's crystal is `drift_ppm` fast. The host reads what is there every `poll_s`, and a
    little more irregularly than that, or with None each frame as it comes.
    """
    rng = np.random.default_rng(seed)
    mcu_us = np.arange(int(lasting_s * 1e6 / PERIOD_US)) * PERIOD_US + 7_000_000
    true_s = (mcu_us - mcu_us[0]) * 1e-6 / (1.0 + drift_ppm * 1e-6)
    arrives_s = true_s + FLOOR_S + jitter(rng, true_s.size)
    arrives_s = np.maximum.accumulate(np.maximum(arrives_s, backlog_s))
    clock, times = BoardClock(), []
    now_s, place = arrives_s[0], 0
    while place < mcu_us.size:
        if poll_s is None:
            now_s = arrives_s[place]
        else:
            now_s += poll_s * rng.uniform(1.0, 1.2)
        there = int(np.searchsorted(arrives_s, now_s, side="right"))
        if there > place:
            times.append(clock.times_s(mcu_us[place:there], 5000.0 + now_s))
            place = there
    return true_s, np.concatenate(times) - 5000.0


def late(rng: np.random.Generator, count: int) -> np.ndarray:
    """Draw what USB and a busy host add: 2 ms on average, up to some ten."""
    return np.asarray(rng.exponential(0.002, count))


def prompt(rng: np.random.Generator, count: int) -> np.ndarray:
    """Draw what a thread that waits for each chunk adds: half a millisecond on average."""
    return np.asarray(rng.exponential(0.0005, count))


def exact(_: np.random.Generator, count: int) -> np.ndarray:
    """Add nothing."""
    return np.zeros(count)


@pytest.mark.parametrize("drift_ppm", [100.0, 0.0, -100.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_minute_of_curve_is_true_to_a_millisecond(drift_ppm: float, seed: int) -> None:
    """Ten seconds after the connection, any minute keeps its length within 1 ms, jitter or not.

    Untold, 100 ppm would be 6 ms.
    """
    true_s, told_s = told(drift_ppm, late, 0.01, 135.0, seed=seed, backlog_s=0.05)
    error_s = told_s - true_s
    for start_s in (10.0, 30.0, 70.0):
        within = (true_s >= start_s) & (true_s < start_s + 60.0)
        assert np.ptp(error_s[within]) < 0.001


@pytest.mark.parametrize("drift_ppm", [100.0, -100.0])
def test_a_prompt_host_knows_after_three_seconds(drift_ppm: float) -> None:
    """Where a thread stamps each chunk, any minute from the third second on is good to 1 ms."""
    true_s, told_s = told(drift_ppm, prompt, None, 65.0)
    within = true_s >= 3.0
    assert np.ptp((told_s - true_s)[within]) < 0.001


def test_times_are_late_by_the_least_delay_alone() -> None:
    """What every frame takes cannot be known; what some take longer is taken out."""
    true_s, told_s = told(30.0, late, 0.01, 60.0)
    assert np.all((told_s - true_s)[true_s > 20.0] < FLOOR_S + 0.001)
    assert np.all((told_s - true_s)[true_s > 20.0] > FLOOR_S - 0.0005)


@pytest.mark.parametrize("backlog_s", [0.0, 0.4])
def test_times_never_step(backlog_s: float) -> None:
    """Frames stay in order from the first; once known, 5 ms are 5 ms within 350 ppm."""
    true_s, told_s = told(100.0, late, 0.01, 40.0, backlog_s=backlog_s)
    steps_s = np.diff(told_s)
    assert np.all(steps_s > 0.0024)
    known = true_s[1:] > 2.1
    np.testing.assert_allclose(steps_s[known], 0.005, rtol=4.5e-4)


def test_a_stall_of_the_host_bends_nothing() -> None:
    """Frames that waited for two seconds are told as the board stamped them."""
    clock = BoardClock()
    mcu_us = np.arange(4000) * PERIOD_US
    times = [clock.times_s(part, part[-1] * 1e-6 + 0.001) for part in np.split(mcu_us[:3000], 1500)]
    times.append(clock.times_s(mcu_us[3000:3400], mcu_us[3400] * 1e-6 + 2.0))
    times += [clock.times_s(part, part[-1] * 1e-6 + 0.001) for part in np.split(mcu_us[3400:], 300)]
    np.testing.assert_allclose(np.concatenate(times), mcu_us * 1e-6 + 0.001, atol=1e-9, rtol=0)


def test_without_jitter_the_line_is_exact() -> None:
    """A board in step with the host is only shifted."""
    true_s, told_s = told(0.0, exact, None, 30.0)
    np.testing.assert_allclose(told_s, true_s + FLOOR_S, atol=1e-9, rtol=0)


def test_one_frame_alone_has_a_time() -> None:
    """The first frame is told as it arrived."""
    clock = BoardClock()
    assert clock.times_s(np.array([4_000_000]), 100.25).tolist() == [100.25]
    assert clock.times_s(np.array([4_005_000]), 100.255).tolist() == [pytest.approx(100.255)]


def test_a_board_that_restarted_needs_a_new_clock() -> None:
    """Its time runs back, and the error says what happened; a new clock begins where it stands."""
    clock = BoardClock()
    clock.times_s(np.array([60_000_000, 60_005_000]), 100.0)
    with pytest.raises(LinkError, match=r"ran back from 60\.005 s to 0\.400 s: it has restarted"):
        clock.times_s(np.array([400_000, 405_000]), 101.0)
    assert BoardClock().times_s(np.array([400_000, 405_000]), 101.0).tolist() == [
        pytest.approx(100.995),
        pytest.approx(101.0),
    ]
