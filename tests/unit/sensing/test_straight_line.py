"""Check calibration lines against the GUM's thermometer and a published pressure calibration."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.fit import FitError
from rig.errors import InputError
from rig.sensing.straight_line import StraightLine, fit_line, line_through

DATA = Path(__file__).parents[2] / "data" / "metrology"


def expected_values(name: str) -> dict[str, tuple[float, float]]:
    """Read quantities and, where a column states it, their tolerance."""
    with (DATA / name).open(encoding="utf-8") as file:
        return {
            row["quantity"]: (float(row["value"]), float(row.get("tolerance") or 0.0))
            for row in csv.DictReader(file)
        }


GUM_H3 = expected_values("gum_h3_expected.csv")
THERMOMETER = np.loadtxt(DATA / "gum_h3_thermometer.csv", delimiter=",", skiprows=1)
PUBLISHED = expected_values("pressure_sensor_cal_published_expected.csv")


def thermometer_line() -> StraightLine:
    """Fit the thermometer's corrections about 20 degC, as the guide does."""
    return fit_line(*THERMOMETER.T.tolist(), centre=GUM_H3["t0_C"][0])


def test_the_thermometer_of_the_guide() -> None:
    """GUM H.3: intercept, slope, their u and correlation, scatter, and the correction at 30 degC.

    The guide prints u(y2) and its correlation to two and three digits.
    """
    line = thermometer_line()
    found = {
        "y1_C": line.value_at_centre,
        "y2": line.slope,
        "u(y1)": line.u_value,
        "u(y2)": line.u_slope,
        "r(y1,y2)": line.correlation,
        "s_residual": line.residual_sd,
        "b(30C)": float(line.value(30.0)),
        "u(b(30C))": float(line.u(30.0)),
    }
    for quantity, value in found.items():
        expected, tolerance = GUM_H3[quantity]
        assert value == pytest.approx(expected, abs=tolerance), quantity
    assert line.value_at_centre == pytest.approx(GUM_H3["full_precision_y1"][0], abs=5e-9)
    assert line.slope == pytest.approx(GUM_H3["full_precision_y2"][0], abs=5e-8)


def test_the_centre_does_not_change_the_line() -> None:
    """The same points about another centre: the same values and uncertainties everywhere."""
    about_20, about_0 = thermometer_line(), fit_line(*THERMOMETER.T.tolist())
    asked = np.array([-10.0, 20.0, 24.0, 30.0])
    np.testing.assert_allclose(about_0.value(asked), about_20.value(asked), atol=1e-12)
    np.testing.assert_allclose(about_0.u(asked), about_20.u(asked), rtol=1e-8)


def test_the_pivot_is_the_mean_of_equal_points() -> None:
    """Equal weights: value and slope are uncorrelated at the mean input, with u = s/sqrt(n)."""
    line = thermometer_line()
    pivoted = line.about_its_pivot()
    assert pivoted.centre == pytest.approx(float(THERMOMETER[:, 0].mean()), abs=1e-9)
    assert pivoted.correlation == 0.0
    assert line.residual_sd is not None
    assert pivoted.u_value == pytest.approx(line.residual_sd / math.sqrt(11.0), rel=1e-9)
    asked = np.array([15.0, 24.0, 30.0])
    np.testing.assert_allclose(pivoted.value(asked), line.value(asked), atol=1e-12)
    np.testing.assert_allclose(pivoted.u(asked), line.u(asked), rtol=1e-9)


def test_a_published_two_point_calibration() -> None:
    """Slope, both u and the correlation from the first and last point of the published sensor.

    The reference's u is 0.000115 of its pressure, the reading's that of a uniform half step.
    """
    rel_u, u_x = PUBLISHED["u_ref_rel"][0], PUBLISHED["u_res_halfwidth"][0] / math.sqrt(3.0)
    line = fit_line([0.0, 2.0410], [0.0, 20.0], x_u=u_x, y_u=[0.0, rel_u * 20.0])
    assert line.value_at_centre == pytest.approx(PUBLISHED["a"][0], abs=1e-12)
    assert line.slope == pytest.approx(PUBLISHED["b"][0], rel=1e-12)
    assert line.u_value == pytest.approx(PUBLISHED["u(a)"][0], rel=1e-9)
    assert line.u_slope == pytest.approx(PUBLISHED["u(b)"][0], rel=1e-9)
    assert line.correlation == pytest.approx(PUBLISHED["r(a,b)"][0], rel=1e-9)
    assert line.residual_sd is None


def test_weights_count_by_their_inverse_square() -> None:
    """Two points at one input with u of 1 and 2 pull the line to their weighted mean, 0.2 of 10."""
    line = fit_line([0.0, 1.0, 1.0], [0.0, 10.0, 20.0], y_u=[0.001, 1.0, 2.0])
    assert float(line.value(1.0)) == pytest.approx(12.0, abs=1e-4)
    assert float(line.u(1.0)) == pytest.approx(1.0 / math.sqrt(1.0 + 0.25), rel=1e-6)


def test_a_line_through_two_points_is_exact() -> None:
    """What a data sheet states is met at both points, forth and back, with no uncertainty."""
    line = line_through((3.0, 0.0), (0.5, 91.422))
    np.testing.assert_allclose(line.value([0.5, 3.0]), [91.422, 0.0], atol=1e-12)
    np.testing.assert_allclose(line.inverse([91.422, 0.0]), [0.5, 3.0], atol=1e-12)
    assert (line.low, line.high) == (0.5, 3.0)
    assert float(line.u(7.0)) == 0.0
    assert line.about_its_pivot() == line


def test_outside_is_beyond_the_ends() -> None:
    """The ends belong to the range; a hair beyond, and what is no number, does not."""
    line = line_through((0.5, 20.0), (4.5, 100.0))
    np.testing.assert_array_equal(
        line.outside([0.499, 0.5, 2.0, 4.5, 4.501, np.nan]), [True, False, False, False, True, True]
    )


@pytest.mark.parametrize(
    ("first", "second"),
    [((1.0, 5.0), (1.0, 9.0)), ((1.0, 5.0), (2.0, 5.0)), ((0.0, 1.0), (1.0, math.inf))],
)
def test_points_that_make_no_line_are_refused(
    first: tuple[float, float], second: tuple[float, float]
) -> None:
    """Equal inputs, equal outputs and infinite ones cannot calibrate a sensor."""
    with pytest.raises(InputError, match="calibration line"):
        line_through(first, second)


def test_lists_that_cannot_be_fitted_are_refused() -> None:
    """Lists of unequal length, one point, a value that is no number, two points without u."""
    with pytest.raises(InputError, match="2 inputs and 3 references"):
        fit_line([0.0, 1.0], [0.0, 1.0, 2.0])
    with pytest.raises(InputError, match="at least two"):
        fit_line([0.0], [0.0])
    with pytest.raises(InputError, match="not a number"):
        fit_line([0.0, 1.0, math.nan], [0.0, 1.0, 2.0])
    with pytest.raises(FitError):
        fit_line([0.0, 1.0], [0.0, 1.0])
