"""Check predicted courses against an integrated differential equation, and their derivatives.

A candidate's pressure is p = u + S with du/dt = r g(u + S): the leak g(p) of `tests.support.leaks`
answers to the settling S, which is counted from its value at the end of the hold.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
import scipy.integrate

from rig.analysis import blocks, settling
from rig.analysis.gas import Law
from rig.analysis.models import (
    FIRST_AMPLITUDE,
    LEVEL,
    RATE,
    RATIO,
    BlockData,
    Models,
    ShapedModels,
    mixed_models,
    shaped_models,
)
from tests.support.leaks import T_0, Leak

AMBIENT_PA = 101_325.0
LEVEL_PA = 50_500.0
LIMIT_PA_S = 100.0
"""Near the slope of a leak at the limit, 1 inHg in 20 s in 45 cm3, in a volume of 75 cm3."""
LAWS = ((Law.ORIFICE, 0.5), (Law.LAMINAR, 0.35), (Law.PERMEATION, 0.15))


def block_data(*, points: bool = False, hold_s: float = 60.0) -> BlockData:
    """Make the blocks of a hold at 50 Hz, as wide as they are or shrunk to points."""
    t = np.arange(0.0, hold_s, 0.02)
    reduced = blocks.average(t, np.zeros_like(t))
    width = np.zeros_like(reduced.half_width_s) if points else reduced.half_width_s
    count = reduced.time_s.size
    return BlockData(reduced.time_s, width, np.zeros(count), np.eye(count), AMBIENT_PA)


@dataclass(frozen=True)
class Course:
    """One course of settling: its form, amplitude [Pa] and shapes."""

    form: int
    amplitude_pa: float
    shape: float
    second: float = 0.0

    def rise_pa(self, time_s: np.ndarray | float) -> np.ndarray:
        """Compute the course as `test_settling` checks it."""
        shape, second = np.array([[self.shape]]), np.array([[self.second]])
        return (
            self.amplitude_pa
            * settling.rise(
                self.form, shape, second, np.atleast_1d(np.asarray(time_s, dtype=float))
            )[0][0]
        )


COURSES = {
    "gas": Course(settling.EXP_COURSE, 1000.0, float(np.log(1.2))),
    "vapour": Course(settling.EXP_COURSE, 1000.0, float(np.log(12.0))),
    "log": Course(settling.LOG_COURSE, 250.0, float(np.log(0.5))),
    "power": Course(settling.POWER_COURSE, 1000.0, 0.25),
    "creep": Course(settling.CREEP_COURSE, 250.0, float(np.log(0.7)), 0.1),
}


def one_model(law: Law, course: Course, rate_pa_s: float, ratio: float) -> ShapedModels:
    """Make the candidate with this law whose last course has this form, at given parameters."""
    models = shaped_models(((law, 1.0),), block_data(points=True), (LEVEL_PA, rate_pa_s))
    slot = 1 if course.form == settling.CREEP_COURSE else 0
    alone = (models.forms[:, slot] == course.form) & ((slot == 1) | (models.forms[:, 1] == -1))
    models = models.rows(np.flatnonzero(alone)[:1])
    theta = models.theta.copy()
    theta[0, RATIO] = ratio
    theta[0, FIRST_AMPLITUDE + slot] = course.amplitude_pa
    theta[0, FIRST_AMPLITUDE + 2 + slot] = course.shape
    theta[0, FIRST_AMPLITUDE + 4] = course.second
    return replace(models, theta=theta)


def integrated(law: Law, course: Course, rate_pa_s: float, ratio: float, time_s: np.ndarray):
    """Integrate the differential equation: the pressure [Pa] at the blocks' times."""
    leak = Leak(law.value, 1.0, ratio)
    whole = leak.mass_flow(0.0, AMBIENT_PA, T_0)
    end_pa = course.rise_pa(time_s[-1])[0]

    def slope(at_s: float, u: np.ndarray) -> list[float]:
        p = u[0] + course.rise_pa(at_s)[0] - end_pa
        return [rate_pa_s * leak.mass_flow(p, AMBIENT_PA, T_0) / whole]

    solved = scipy.integrate.solve_ivp(
        slope, (0.0, time_s[-1]), [LEVEL_PA], t_eval=time_s, rtol=1e-8, atol=1e-3, max_step=0.5
    )
    return solved.y[0] + course.rise_pa(time_s) - end_pa


@pytest.mark.parametrize("law", list(Law))
@pytest.mark.parametrize("name", list(COURSES))
@pytest.mark.parametrize("times", [1.0, 3.0])
def test_a_leak_answers_to_the_settling(law: Law, name: str, times: float) -> None:
    """Of leaks up to three limits with 1 kPa of settling the course is right within 1 Pa.

    First order in the settling is all that takes: leaving the answer out costs 10 to 70 Pa where
    the flow falls with pressure from the start (laminar, permeation).
    """
    rate, course = times * LIMIT_PA_S, COURSES[name]
    model = one_model(law, course, rate, 0.45)
    predicted, leak, _ = model.predict()
    t = model.data.time_s
    expected = integrated(law, course, rate, 0.45, t)
    assert np.max(np.abs(predicted[0] - expected)) < 1.0
    deaf = leak[0] + course.rise_pa(t) - course.rise_pa(t[-1])
    assert np.max(np.abs(predicted[0] - expected)) < 0.3 * np.max(np.abs(deaf - expected))


@pytest.mark.parametrize("law", list(Law))
@pytest.mark.parametrize("name", list(COURSES))
def test_a_leak_that_runs_away_answers_too(law: Law, name: str) -> None:
    """At fifteen limits, down to ambient within the hold: within 0.02 % of ambient.

    Taking the answer to first order must never be worse than leaving it out.
    """
    rate, course = 15.0 * LIMIT_PA_S, COURSES[name]
    model = one_model(law, course, rate, 0.45)
    predicted, leak, _ = model.predict()
    t = model.data.time_s
    expected = integrated(law, course, rate, 0.45, t)
    # Next to ambient itself the laws hold no longer: nothing flows out again.
    inside = expected < 0.98 * AMBIENT_PA
    error = np.max(np.abs(predicted[0] - expected)[inside])
    deaf = leak[0] + course.rise_pa(t) - course.rise_pa(t[-1])
    assert error < 20.0
    assert error <= np.max(np.abs(deaf - expected)[inside])


def differences(models: Models) -> np.ndarray:
    """Compute the Jacobian by central differences: (models, blocks, parameters)."""
    theta = models.theta
    step = np.full(theta.shape[1], 1e-2)
    step[[LEVEL, RATE, RATIO]] = 1.0, 1e-3, 1e-5
    if isinstance(models, ShapedModels):
        step[FIRST_AMPLITUDE + 2 :] = 1e-5
    columns = []
    for k, h in enumerate(step):
        up, down = theta.copy(), theta.copy()
        up[:, k] += h
        down[:, k] -= h
        above, below = (replace(models, theta=moved).predict()[0] for moved in (up, down))
        columns.append((above - below) / (2.0 * h))
    return np.stack(columns, axis=2)


def off_by(models: Models) -> np.ndarray:
    """Compute the largest error of each column of the Jacobian as a share of its largest entry."""
    expected = differences(models)
    got = models.predict()[2]
    largest = np.max(np.abs(expected), axis=1)
    error = np.max(np.abs(got - expected), axis=1)
    return np.where(largest > 1e-9, error / np.maximum(largest, 1e-9), error)


def with_amplitudes(models: ShapedModels, amplitude_pa: float) -> ShapedModels:
    """Give every course that a candidate has the same amplitude."""
    theta = models.theta.copy()
    theta[:, FIRST_AMPLITUDE : FIRST_AMPLITUDE + 2] = np.where(models.forms >= 0, amplitude_pa, 0.0)
    return replace(models, theta=theta)


@pytest.mark.parametrize("rate_pa_s", [-20.0, 20.0, 100.0, 500.0])
def test_the_derivatives_of_the_leak_alone_are_exact(rate_pa_s: float) -> None:
    """Without settling every column agrees with central differences, for every law and candidate.

    A negative rate runs the curve backwards: the estimator may step through zero.
    """
    models = shaped_models(LAWS, block_data(), (LEVEL_PA, rate_pa_s))
    off = off_by(models)
    # The knee of the orifice is a kink: by the critical ratio a difference is one of its sides.
    assert np.max(off[:, RATIO]) < 0.01
    off[:, RATIO] = 0.0
    assert np.max(off) < 1e-4


@pytest.mark.parametrize("rate_pa_s", [20.0, 100.0, 500.0])
@pytest.mark.parametrize("amplitude_pa", [100.0, 1000.0])
def test_the_derivatives_of_every_law_with_every_candidate(
    rate_pa_s: float, amplitude_pa: float
) -> None:
    """With settling: amplitudes and shapes exact, level and rate within 3 %.

    What the answer of the leak to the settling changes in the derivative by the level is of second
    order, and left out.
    """
    models = shaped_models(LAWS, block_data(), (LEVEL_PA, rate_pa_s))
    off = off_by(with_amplitudes(models, amplitude_pa))
    assert np.max(off[:, FIRST_AMPLITUDE:]) < 1e-4
    assert np.max(off[:, [LEVEL, RATE]]) < 0.03


@pytest.mark.parametrize("rate_pa_s", [100.0, 300.0])
def test_the_derivative_by_the_critical_ratio_knows_the_settling(rate_pa_s: float) -> None:
    """Where the knee lies decides how the leak answers to the settling: right within 3 %.

    The posterior of the critical ratio, and so what not knowing the law costs, rests on it.
    """
    models = with_amplitudes(
        shaped_models(LAWS[:1], block_data(), (LEVEL_PA, rate_pa_s)), amplitude_pa=300.0
    )
    assert np.max(off_by(models)[:, RATIO]) < 0.03


@pytest.mark.parametrize("rate_pa_s", [20.0, 300.0])
def test_the_derivatives_of_the_mixed_settling(rate_pa_s: float) -> None:
    """Its amplitudes are exact: the course is linear in them, the leak's answer included."""
    models = mixed_models(LAWS, block_data(), (LEVEL_PA, rate_pa_s))
    theta = models.theta.copy()
    theta[:, FIRST_AMPLITUDE:] = np.linspace(0.0, 60.0, theta.shape[1] - FIRST_AMPLITUDE)
    off = off_by(replace(models, theta=theta))
    assert np.max(off[:, FIRST_AMPLITUDE:]) < 1e-4
    assert np.max(off[:, [LEVEL, RATE]]) < 0.03


def test_a_block_sees_the_mean_of_the_course() -> None:
    """A course averaged over a block is that of many points in it, within 0.1 % of the rise."""
    data = block_data()
    shape = np.array([[np.log(0.7)]])
    (mean, *_) = data.rise(settling.EXP_COURSE, shape, shape)
    nodes = np.linspace(-1.0, 1.0, 2001)
    times = data.time_s[:, None] + data.half_width_s[:, None] * nodes
    end = -np.expm1(-data.time_s[-1] / 0.7)
    expected = np.mean(-np.expm1(-np.maximum(times, 0.0) / 0.7), axis=1) - end
    np.testing.assert_allclose(mean[0], expected, atol=1e-3)


def test_integrating_over_blocks() -> None:
    """The trapezium rule is exact for a straight line, from the last stroke on."""
    data = block_data()
    values = np.stack([np.ones_like(data.time_s), data.time_s])
    one, line = data.accumulate(values)
    np.testing.assert_allclose(one, data.time_s, rtol=1e-12)
    # The first block's value stands for the time before it.
    first = data.time_s[0]
    np.testing.assert_allclose(line, 0.5 * (data.time_s**2 + first**2), rtol=1e-12)


def test_prior_weights_are_shared_out_over_starts_and_laws() -> None:
    """Models of one law and candidate, from whatever start, carry the weight of law and candidate.

    One of each and the mixed ones sum to one.
    """
    total = 0.0
    for models in (
        shaped_models(LAWS, block_data(), (LEVEL_PA, 50.0)),
        mixed_models(LAWS, block_data(), (LEVEL_PA, 50.0)),
    ):
        by_model: dict[tuple[int, int], set[float]] = {}
        for law, candidate, weight in zip(
            models.law.tolist(), models.candidate.tolist(), models.log_weight.tolist(), strict=True
        ):
            by_model.setdefault((law, candidate), set()).add(round(weight, 12))
        assert all(len(weights) == 1 for weights in by_model.values())
        total += sum(np.exp(weights.pop()) for weights in by_model.values())
    assert total == pytest.approx(1.0, rel=1e-9)


def test_every_law_has_every_candidate() -> None:
    """No pair of law and settling is left out of what is weighed."""
    models = shaped_models(LAWS, block_data(), (LEVEL_PA, 50.0))
    pairs = set(zip(models.law.tolist(), models.candidate.tolist(), strict=True))
    assert len(pairs) == len(LAWS) * len(settling.candidates())


def test_the_log_prior_is_half_the_log_determinant_of_its_precision() -> None:
    """Level and rate are flat; the rest enters by its own precision, as the evidence needs."""
    data = block_data()
    for models in (
        shaped_models(LAWS, data, (LEVEL_PA, 50.0)),
        mixed_models(LAWS, data, (LEVEL_PA, 50.0)),
    ):
        assert not models.precision[:, [LEVEL, RATE]].any()
        assert not models.precision[:, :, [LEVEL, RATE]].any()
        eigenvalues = np.linalg.eigvalsh(models.precision[:, RATIO:, RATIO:])
        np.testing.assert_allclose(
            models.log_prior, 0.5 * np.sum(np.log(eigenvalues), axis=1), rtol=1e-6
        )


def test_a_step_may_not_leave_what_one_iteration_may_change() -> None:
    """Shapes move by at most a factor e, the critical ratio by a tenth, amplitudes as they will."""
    models = shaped_models(LAWS, block_data(), (LEVEL_PA, 50.0))
    step = models.bounded(np.full(models.theta.shape, 50.0))
    assert np.max(step[:, FIRST_AMPLITUDE + 2 :]) <= 1.0
    assert np.max(step[:, RATIO]) <= 0.1
    np.testing.assert_array_equal(step[:, [LEVEL, RATE, FIRST_AMPLITUDE]], 50.0)
