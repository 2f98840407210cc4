"""Check the courses of settling against finite differences, limits and what is believed of them."""

import numpy as np
import pytest

from rig.analysis import settling

TIMES_S = np.geomspace(0.02, 60.0, 40)
SHAPES = {
    settling.EXP_COURSE: [(np.log(tau), 0.0) for tau in (0.3, 1.2, 7.0, 40.0)],
    settling.LOG_COURSE: [(np.log(onset), 0.0) for onset in (0.05, 0.5, 2.0)],
    settling.POWER_COURSE: [(n, 0.0) for n in (0.05, 0.25, 0.6)],
    settling.CREEP_COURSE: [(np.log(onset), n) for onset in (0.1, 0.7) for n in (-0.4, 0.1, 0.35)],
}
CASES = [(form, *shape) for form, shapes in SHAPES.items() for shape in shapes]


def course(form: int, shape: float, second: float, time_s: np.ndarray = TIMES_S) -> np.ndarray:
    """Compute one course of unit amplitude over `time_s`."""
    return settling.rise(form, np.array([[shape]]), np.array([[second]]), time_s)[0][0]


def test_every_form_is_tested() -> None:
    """A form that is added needs its shapes here."""
    assert sorted(SHAPES) == list(range(settling.FORMS))


@pytest.mark.parametrize(("form", "shape", "second"), CASES)
def test_the_derivatives_are_those_of_the_course(form: int, shape: float, second: float) -> None:
    """Both derivatives agree with central differences; a course without a second has none."""
    shapes, seconds = np.array([[shape]]), np.array([[second]])
    _, by_shape, by_second = settling.rise(form, shapes, seconds, TIMES_S)
    h = 1e-5
    expected = (course(form, shape + h, second) - course(form, shape - h, second)) / (2.0 * h)
    np.testing.assert_allclose(by_shape[0], expected, rtol=1e-6, atol=1e-9)
    assert (by_second is not None) == (form == settling.CREEP_COURSE)
    if by_second is not None:
        expected = (course(form, shape, second + h) - course(form, shape, second - h)) / (2.0 * h)
        np.testing.assert_allclose(by_second[0], expected, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize(("form", "shape", "second"), CASES)
def test_a_course_starts_at_nothing_and_slackens(form: int, shape: float, second: float) -> None:
    """Settling rises from zero, ever slower: that is what tells it from a leak."""
    t = np.linspace(0.0, 60.0, 6001)
    rise = course(form, shape, second, t)
    # The plain power is held finite at a microsecond: (1e-6/20)^0.05 is 0.43.
    if form != settling.POWER_COURSE:
        assert rise[0] == 0.0
    assert np.all(np.diff(rise) > -1e-12)
    assert np.all(np.diff(rise, n=2)[1:] < 1e-12)


def test_courses_are_what_their_names_say() -> None:
    """Closed forms: 1 - 1/e at one time constant, ln 2 at the onset, 1 at 20 s of a power."""
    at = np.array([1.7])
    assert course(settling.EXP_COURSE, np.log(1.7), 0.0, at) == pytest.approx(1.0 - np.exp(-1.0))
    assert course(settling.LOG_COURSE, np.log(1.7), 0.0, at) == pytest.approx(np.log(2.0))
    power = course(settling.POWER_COURSE, 0.3, 0.0, np.array([10.0, 20.0]))
    np.testing.assert_allclose(power, [0.5**0.3, 1.0])


def test_a_log_creep_rises_alike_in_every_decade() -> None:
    """Long after its onset the course grows by ln 10 in each decade of time."""
    rise = course(settling.LOG_COURSE, np.log(1e-3), 0.0, np.array([1.0, 10.0, 100.0]))
    np.testing.assert_allclose(np.diff(rise), np.log(10.0), rtol=1e-3)


def test_a_delayed_creep_without_exponent_is_the_log_creep() -> None:
    """((1 + t/t0)^n - 1)/n goes over into ln(1 + t/t0) as n goes through zero, from both sides."""
    log = course(settling.LOG_COURSE, np.log(0.5), 0.0)
    for exponent in (0.0, 1e-3, -1e-3):
        creep = course(settling.CREEP_COURSE, np.log(0.5), exponent)
        np.testing.assert_allclose(creep, log, rtol=5e-3)
    tiny = course(settling.CREEP_COURSE, np.log(0.5), 0.0)
    np.testing.assert_allclose(tiny, log, rtol=5e-4)


def test_many_fits_are_computed_as_one_at_a_time() -> None:
    """Rows of shapes give rows of courses."""
    for form, shapes in SHAPES.items():
        first, second = (np.array(column)[:, None] for column in zip(*shapes, strict=True))
        together = settling.rise(form, first, second, TIMES_S)[0]
        alone = [course(form, *shape) for shape in shapes]
        np.testing.assert_array_equal(together, alone)


def test_prior_weights_sum_to_one() -> None:
    """All candidates and the mixed settling share out the whole of what is believed."""
    shared = [settling.candidate_weight(courses) for _, courses in settling.candidates()]
    assert sum(shared) + settling.mixed_weight() == pytest.approx(1.0, rel=1e-12)
    assert min(shared) > 0.0


def test_no_kind_of_settling_is_believed_beforehand() -> None:
    """Bands of one course share its weight: no kind has more than a half or less than a fiftieth.

    No settling at all is one of the kinds.
    """
    by_kind: dict[str, float] = {settling.MIXED: settling.mixed_weight()}
    for kind, courses in settling.candidates():
        by_kind[kind] = by_kind.get(kind, 0.0) + settling.candidate_weight(courses)
    assert set(by_kind) == {
        "none",
        "exponential",
        "two_exponentials",
        "log_creep",
        "power_creep",
        "plateau",
        "mixed",
    }
    assert max(by_kind.values()) < 0.5
    assert min(by_kind.values()) > 0.02


def test_every_candidate_has_a_start_that_fits_it() -> None:
    """A start gives one shape a course, and a second to the course that has two."""
    seen = set()
    for start in settling.starts():
        seconds = sum(course.second_sd > 0.0 for course in start.courses)
        assert len(start.shapes) == len(start.courses) + seconds
        seen.add((start.kind, start.courses))
    assert seen == set(settling.candidates())


def test_bands_of_slow_settling_leave_no_hole() -> None:
    """From 2 to 50 s every time constant lies within two prior sds of some band."""
    bands = {(c.shape_mean, c.shape_sd) for c in (*settling.RUBBER, *settling.VAPOUR)}
    for log_tau in np.log(np.geomspace(2.0, 50.0, 60)):
        assert min(abs(log_tau - mean) / sd for mean, sd in bands) <= 2.0


def test_the_prior_of_the_mixed_settling_is_a_covariance() -> None:
    """Unit variances, neighbours resemble more than strangers, and it can be inverted."""
    covariance = settling.mixed_covariance()
    np.testing.assert_array_equal(np.diag(covariance), 1.0)
    np.testing.assert_array_equal(covariance, covariance.T)
    assert np.all(np.diff(covariance[0]) < 0.0)
    assert np.min(np.linalg.eigvalsh(covariance)) > 1e-3
    assert covariance.shape == (len(settling.SPECTRUM_S),) * 2
    assert min(settling.SPECTRUM_S) <= 0.5
    assert max(settling.SPECTRUM_S) >= 40.0
