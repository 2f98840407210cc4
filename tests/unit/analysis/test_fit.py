"""Check least squares against certified data sets, published examples and a second program."""

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.fit import Fit, FitError, least_squares, linear_least_squares

DATA = Path(__file__).parents[2] / "data" / "nonlinear_fit"

Model = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""Takes x (n,) and parameters (k,); returns the fitted values (n,) and their Jacobian (n, k)."""


def approach(x, b):
    """b1 (1 - exp(-b2 x))."""
    e = np.exp(-b[1] * x)
    return b[0] * (1 - e), np.stack([1 - e, b[0] * x * e], axis=1)


def approach_algebraic(x, b):
    """b1 (1 - (1 + b2 x/2)^-2)."""
    u = 1 + b[1] * x / 2
    return b[0] * (1 - u**-2), np.stack([1 - u**-2, b[0] * x * u**-3], axis=1)


def three_exponentials(x, b):
    """b1 exp(-b2 x) + b3 exp(-b4 x) + b5 exp(-b6 x)."""
    e = np.exp(-np.outer(x, b[1::2]))
    jacobian = np.empty((x.size, 6))
    jacobian[:, 0::2] = e
    jacobian[:, 1::2] = -b[0::2] * x[:, None] * e
    return e @ b[0::2], jacobian


def two_exponentials(x, b):
    """b1 + b2 exp(-b4 x) + b3 exp(-b5 x)."""
    e = np.exp(-np.outer(x, b[3:]))
    columns = [np.ones_like(x), *e.T, *(-b[1:3] * x[:, None] * e).T]
    return b[0] + e @ b[1:3], np.stack(columns, axis=1)


def damped_ratio(x, b):
    """exp(-b1 x)/(b2 + b3 x)."""
    e, d = np.exp(-b[0] * x), b[1] + b[2] * x
    return e / d, np.stack([-x * e / d, -e / d**2, -x * e / d**2], axis=1)


def power(x, b):
    """b1 x^b2."""
    return b[0] * x ** b[1], np.stack([x ** b[1], b[0] * x ** b[1] * np.log(x)], axis=1)


def shifted_exponential(x, b):
    """b1 exp(b2/(x + b3))."""
    u = 1 / (x + b[2])
    e = np.exp(b[1] * u)
    return b[0] * e, np.stack([e, b[0] * e * u, -b[0] * e * b[1] * u**2], axis=1)


def rational(x, b):
    """(b1 + b2 x + b3 x^2 + b4 x^3)/(1 + b5 x + b6 x^2 + b7 x^3)."""
    powers = x[:, None] ** np.arange(4)
    top, bottom = powers @ b[:4], 1 + powers[:, 1:] @ b[4:]
    below = -(top / bottom**2)[:, None] * powers[:, 1:]
    return top / bottom, np.hstack([powers / bottom[:, None], below])


@dataclass(frozen=True)
class CertifiedSet:
    """One data set with its certified answer."""

    model: Model
    x: np.ndarray
    y: np.ndarray
    starts: np.ndarray
    certified: np.ndarray
    certified_se: np.ndarray
    certified_sd: float

    def residuals(self, b: np.ndarray) -> np.ndarray:
        """Compute fitted minus observed, (n,)."""
        return self.model(self.x, b)[0] - self.y

    def jacobian(self, b: np.ndarray) -> np.ndarray:
        """Compute their derivatives, (n, k)."""
        return self.model(self.x, b)[1]

    def fit(self, start: int) -> Fit:
        """Fit the set from its start 0 or 1."""
        return least_squares(self.residuals, self.jacobian, self.starts[start])


MODELS_AND_DIGITS: dict[str, tuple[Model, float]] = {
    "Misra1a": (approach, 9),
    "Misra1b": (approach_algebraic, 9),
    "Lanczos1": (three_exponentials, 10),
    "Lanczos2": (three_exponentials, 10),
    "Lanczos3": (three_exponentials, 8),
    "MGH17": (two_exponentials, 8),
    "BoxBOD": (approach, 8),
    "Chwirut1": (damped_ratio, 7.5),
    "Chwirut2": (damped_ratio, 8),
    "DanWood": (power, 9),
    "MGH10": (shifted_exponential, 9),
    "Hahn1": (rational, 8),
}
"""Model of each set, and the digits its worst parameter must agree to (11 are certified)."""


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


def _load(name: str) -> CertifiedSet:
    data = np.array([[float(row["x"]), float(row["y"])] for row in _rows(f"{name.lower()}.csv")])
    rows = [row for row in _rows("certified_parameters.csv") if row["dataset"] == name]
    (summary,) = (row for row in _rows("certified_summary.csv") if row["dataset"] == name)

    def column(key: str) -> np.ndarray:
        return np.array([float(row[key]) for row in rows])

    return CertifiedSet(
        MODELS_AND_DIGITS[name][0],
        *data.T,
        np.stack([column("start1"), column("start2")]),
        column("certified"),
        column("certified_sd"),
        float(summary["certified_residual_sd"]),
    )


def _digits(found: np.ndarray, certified: np.ndarray) -> float:
    """Return the digits that the worst value agrees to (log relative error)."""
    return -math.log10(np.max(np.abs(found / certified - 1)) + 1e-16)


@pytest.mark.parametrize("start", [0, 1], ids=["start1", "start2"])
@pytest.mark.parametrize("name", MODELS_AND_DIGITS)
def test_certified_parameters_are_reached(name, start):
    """Every certified set must be solved from both starts, to the digits stated for it."""
    case = _load(name)
    fit = case.fit(start)
    assert fit.converged
    assert _digits(fit.parameters, case.certified) >= MODELS_AND_DIGITS[name][1]


@pytest.mark.parametrize("start", [0, 1], ids=["start1", "start2"])
@pytest.mark.parametrize("name", [name for name in MODELS_AND_DIGITS if name != "Lanczos1"])
def test_certified_standard_errors_are_reached(name, start):
    """Standard errors and residual deviation must agree to 7 digits with the certified ones."""
    case = _load(name)
    fit = case.fit(start)
    assert _digits(fit.standard_errors, case.certified_se) >= 7
    assert fit.residual_sd == pytest.approx(case.certified_sd, rel=1e-9)


@pytest.mark.parametrize("start", [0, 1], ids=["start1", "start2"])
def test_standard_errors_where_only_rounding_is_left(start):
    """Lanczos1 leaves residuals of 9e-14 on values of 2.5: known to a part in 100 in doubles."""
    case = _load("Lanczos1")
    fit = case.fit(start)
    assert fit.residual_sd == pytest.approx(case.certified_sd, rel=0.02)
    np.testing.assert_allclose(fit.standard_errors, case.certified_se, rtol=0.02)


@pytest.mark.parametrize("name", MODELS_AND_DIGITS)
def test_agrees_with_a_second_program(name):
    """From the nearer start the fit must agree with MINPACK's in parameters and in the minimum."""
    case = _load(name)
    fit = case.fit(1)
    other = scipy.optimize.least_squares(
        case.residuals, case.starts[1], case.jacobian, method="lm", x_scale="jac",
        ftol=1e-15, xtol=1e-15, gtol=1e-15, max_nfev=10_000,
    )  # fmt: skip
    np.testing.assert_allclose(fit.parameters, other.x, rtol=1e-6)
    only_rounding_left = name == "Lanczos1"
    room = 0.04 if only_rounding_left else 1e-6
    assert float(fit.residuals @ fit.residuals) <= 2 * other.cost * (1 + room)


@given(
    exponents=st.lists(st.integers(-30, 30), min_size=3, max_size=3),
    start=st.integers(0, 1),
)
@settings(derandomize=True, deadline=None, max_examples=25)
def test_the_unit_of_a_parameter_does_not_matter(exponents, start):
    """Parameters in units of any power of two must give the same fit, in as many iterations."""
    case = _load("MGH10")
    unit = 2.0 ** np.array(exponents)
    fit = least_squares(
        lambda b: case.residuals(b * unit),
        lambda b: case.jacobian(b * unit) * unit,
        case.starts[start] / unit,
    )
    plain = case.fit(start)
    np.testing.assert_allclose(fit.parameters * unit, plain.parameters, rtol=1e-9)
    np.testing.assert_allclose(fit.standard_errors * unit, plain.standard_errors, rtol=1e-7)
    assert abs(fit.iterations - plain.iterations) <= 20


def test_a_linear_problem_gives_the_linear_fit():
    """On a straight line the search must end where linear least squares does, covariance too."""
    rng = np.random.default_rng(7)
    design = np.stack([np.ones(20), np.linspace(0, 5, 20)], axis=1)
    observed = design @ [3.0, -2.0] + rng.normal(0, 0.1, 20)
    linear = linear_least_squares(design, observed)
    search = least_squares(lambda b: design @ b - observed, lambda _: design, [1e3, 1e3])
    np.testing.assert_allclose(search.parameters, linear.parameters, rtol=1e-9)
    np.testing.assert_allclose(search.covariance, linear.covariance, rtol=1e-9)
    assert search.residual_sd == pytest.approx(linear.residual_sd, rel=1e-12)


def test_a_start_at_zero_converges():
    """A start of all zeros gives no length to scale a first step by, and must still work."""
    x = np.linspace(0, 1, 9)
    y = np.sin(3 * x) + 0.01 * np.cos(40 * x)
    model = np.stack([np.ones_like(x), x, x**2], axis=1)
    fit = least_squares(lambda b: model @ b - y, lambda _: model, np.zeros(3))
    np.testing.assert_allclose(fit.parameters, np.polyfit(x, y, 2)[::-1], rtol=1e-9)


def test_an_exact_fit_ends_with_no_scatter():
    """Data without noise must be fitted to rounding, with standard errors that vanish."""
    x = np.linspace(0, 4, 12)
    y = approach(x, [2.0, 0.7])[0]
    fit = least_squares(lambda b: approach(x, b)[0] - y, lambda b: approach(x, b)[1], [1.0, 0.1])
    np.testing.assert_allclose(fit.parameters, [2.0, 0.7], rtol=1e-12)
    assert np.all(fit.standard_errors < 1e-12)


def test_a_step_out_of_the_domain_is_taken_back():
    """A trial step that leads to the logarithm of a negative number must only be shortened."""
    x = np.linspace(1, 10, 10)
    y = np.log1p(0.1 * x)
    tried = []

    def residuals(b):
        tried.append(float(b[0]))
        return np.log1p((b[0] - 100) * x) - y

    # The start lies 5 from where the logarithm ends, and 105 from zero: the first step is wide.
    fit = least_squares(residuals, lambda b: (x / (1 + (b[0] - 100) * x))[:, None], [105.0])
    assert min(tried) < 99.9
    assert fit.parameters[0] == pytest.approx(100.1, rel=1e-12)


def test_a_start_that_is_not_finite_is_refused():
    """Residuals that overflow at the start must be reported as such."""
    x = np.linspace(1, 10, 10)
    with pytest.raises(FitError, match="not finite"):
        least_squares(lambda b: np.exp(b[0] * x), lambda b: (x * np.exp(b[0] * x))[:, None], [1e3])


def test_parameters_that_only_act_together_are_refused():
    """Two parameters of which only the sum acts must be called indistinguishable."""
    x = np.linspace(0, 1, 10)
    column = np.stack([x, x], axis=1)
    with pytest.raises(FitError, match="apart"):
        least_squares(lambda b: column @ b - 1, lambda _: column, [1.0, 2.0])


def test_a_minimum_at_infinity_is_no_fit():
    """A rise that is over before the first reading has no rate: the fit must say so."""
    x = np.arange(1.0, 7.0)
    y = np.full(6, 5.0) + np.array([0.1, -0.1, 0.05, -0.05, 0.1, -0.1])
    with pytest.raises(FitError, match="apart"):
        least_squares(lambda b: approach(x, b)[0] - y, lambda b: approach(x, b)[1], [1.0, 1.0])


def test_too_few_iterations_are_an_error():
    """A search that is cut off before the minimum must not return what it has."""
    case = _load("MGH10")
    with pytest.raises(FitError, match="5 iterations"):
        least_squares(case.residuals, case.jacobian, case.starts[0], max_iterations=5)


def test_a_wrong_jacobian_is_an_error():
    """A Jacobian of the wrong sign leads uphill everywhere: the search must end with an error."""
    case = _load("Misra1a")
    with pytest.raises(FitError, match="see to the Jacobian"):
        least_squares(case.residuals, lambda b: -case.jacobian(b), case.starts[1])


def test_as_many_parameters_as_data_leave_no_scatter():
    """Without a degree of freedom a nonlinear fit must be refused."""
    x = np.array([1.0, 2.0])
    with pytest.raises(FitError, match="2 residuals cannot give 2"):
        least_squares(lambda b: approach(x, b)[0] - 1, lambda b: approach(x, b)[1], [1.0, 1.0])


def test_published_thermometer_calibration():
    """The straight line of GUM H.3 must come out with its uncertainties and correlation."""
    read_c = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511]
    correction_c = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16,
    ]  # fmt: skip
    design = np.stack([np.ones(11), np.array(read_c) - 20.0], axis=1)
    fit = linear_least_squares(design, correction_c)
    u = fit.standard_errors
    assert fit.parameters[0] == pytest.approx(-0.1712, abs=5e-5)
    assert fit.parameters[1] == pytest.approx(0.00218, abs=5e-6)
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert fit.covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ fit.parameters == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(at_30 @ fit.covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)


@pytest.mark.parametrize("base", [1.0, 0.1], ids=["Wampler1", "Wampler2"])
def test_certified_fifth_degree_polynomials(base):
    """NIST's Wampler1 and 2 (x = 0 to 20, degree 5, exact) must be solved to 8 digits."""
    x = np.arange(21.0)
    certified = base ** np.arange(6)
    powers = x[:, None] ** np.arange(6)
    fit = linear_least_squares(powers, powers @ certified)
    assert _digits(fit.parameters, certified) >= 8


def test_given_deviations_set_the_covariance():
    """A weighted mean must have the variance 1/sum(1/sd^2), whatever the scatter."""
    observed = np.array([1.0, 5.0, 2.0])
    sd = np.array([0.1, 0.2, 0.4])
    weights = 1 / sd**2
    fit = linear_least_squares(np.ones((3, 1)), observed, sd)
    assert fit.parameters[0] == pytest.approx(np.average(observed, weights=weights), rel=1e-12)
    assert fit.covariance[0, 0] == pytest.approx(1 / weights.sum(), rel=1e-12)
    np.testing.assert_allclose(fit.residuals, (observed - fit.parameters[0]) / sd, rtol=1e-12)


def test_a_doubled_observation_counts_twice():
    """An observation taken twice must weigh as one of a deviation smaller by the root of two."""
    design = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 3.0]])
    observed = np.array([0.3, 1.4, 2.9])
    twice = linear_least_squares(design[[0, 0, 1, 2]], observed[[0, 0, 1, 2]], 0.2)
    weighted = linear_least_squares(design, observed, np.array([0.2 / math.sqrt(2), 0.2, 0.2]))
    np.testing.assert_allclose(twice.parameters, weighted.parameters, rtol=1e-12)
    np.testing.assert_allclose(twice.covariance, weighted.covariance, rtol=1e-12)


@given(
    slope=st.floats(-1e3, 1e3),
    offset=st.floats(-1e3, 1e3),
    unit=st.sampled_from([1e-9, 1.0, 1e9]),
)
@settings(derandomize=True, deadline=None, max_examples=50)
def test_two_points_give_their_line(slope, offset, unit):
    """Two points with given deviations must give the line through them in any unit of x."""
    x = np.array([1.0, 3.0])
    design = np.stack([np.ones(2), x * unit], axis=1)
    fit = linear_least_squares(design, offset + slope * x, 0.5)
    scale = abs(slope) + abs(offset) + 1e-300
    assert fit.parameters[0] == pytest.approx(offset, abs=1e-13 * scale)
    assert fit.parameters[1] * unit == pytest.approx(slope, abs=1e-13 * scale)
    # Var of a slope over a span of 2 units: 2 sd^2/2^2.
    assert fit.covariance[1, 1] * unit**2 == pytest.approx(0.125, rel=1e-12)
    with pytest.raises(FitError, match="leave no scatter"):
        _ = fit.residual_sd


def test_the_covariance_is_that_of_repeated_experiments():
    """Over 4000 drawn experiments the parameters must scatter as the covariance says."""
    rng = np.random.default_rng(11)
    x = np.linspace(0, 2, 15)
    design = np.stack([np.ones(15), x, np.exp(-x)], axis=1)
    sd = 0.1 + 0.1 * x
    drawn = np.array(
        [
            linear_least_squares(design, design @ [1.0, 2.0, 3.0] + sd * noise, sd).parameters
            for noise in rng.standard_normal((4000, 15))
        ]
    )
    covariance = linear_least_squares(design, np.zeros(15), sd).covariance
    # A variance from 4000 draws is known to 2.2 % (one standard deviation).
    np.testing.assert_allclose(np.cov(drawn.T), covariance, rtol=0.08)
    standard_error = np.sqrt(np.diag(covariance) / 4000)
    assert np.all(np.abs(drawn.mean(axis=0) - [1.0, 2.0, 3.0]) < 4 * standard_error)


@pytest.mark.parametrize(
    ("design", "observed", "sd", "words"),
    [
        ([[1, 2], [2, 4], [3, 6]], [1, 2, 3], None, "apart"),
        ([[1, 0], [1, 0], [1, 0]], [1, 2, 3], None, "apart"),
        ([[1, 2]], [1], 0.1, "1 observations cannot give 2"),
        ([[1, 0], [1, 1]], [1, 2], None, "leave no scatter"),
        ([[1], [1]], [1, 2], [0.1, 0.0], "not positive"),
        ([[1], [1]], [1, math.nan], None, "not finite"),
        ([[1], [math.inf]], [1, 2], None, "not finite"),
    ],
)
def test_a_linear_fit_that_cannot_be_is_refused(design, observed, sd, words):
    """Singular designs, too few data and impossible values must each be named."""
    with pytest.raises(FitError, match=words):
        linear_least_squares(design, observed, sd)


def test_the_error_is_one_that_the_program_explains():
    """A failed fit must end the program as bad input does: exit status 3."""
    assert FitError("x").exit_status == 3
