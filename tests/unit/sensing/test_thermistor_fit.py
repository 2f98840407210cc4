"""Check fitted thermistor curves against published solutions, SciPy and repeated solving."""

import csv
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize

from rig.analysis.fit import FitError
from rig.errors import InputError
from rig.sensing.thermistor import inspect_curve
from rig.sensing.thermistor_fit import curve_through, fit_curve

DATA = Path(__file__).parents[2] / "data"


def rows_of(folder: str, name: str) -> list[dict[str, str]]:
    """Read a reference table."""
    with (DATA / folder / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def table(sensor_id: str) -> tuple[list[float], list[float]]:
    """Read the temperatures [degC] and resistances [ohm] of one table."""
    rows = rows_of("sensors", "thermistor_rt_tables.csv")
    rows = [row for row in rows if row["sensor_id"] == sensor_id]
    return [float(row["T_C"]) for row in rows], [float(row["R_ohm"]) for row in rows]


WORKED = rows_of("metrology", "steinhart_hart_worked.csv")
PRESETS = rows_of("sensors", "thermistor_three_point.csv")


@pytest.mark.parametrize("row", WORKED, ids=lambda row: row["id"])
def test_worked_examples(row: dict[str, str]) -> None:
    """Coefficients through three points, and one more temperature, must be the worked ones."""
    degc = [float(row[f"T{i}_C"]) for i in (1, 2, 3)]
    curve = curve_through(degc, [float(row[f"R{i}"]) for i in (1, 2, 3)])
    expected = [float(row["A"]), float(row["B"]), 0.0, float(row["C"])]
    np.testing.assert_allclose(curve.coefficients, expected, rtol=1e-10)
    found = float(curve.temperature_degc(float(row["test_R_ohm"])))
    assert found == pytest.approx(float(row["expected_T_C"]), abs=float(row["tolerance_C"]))


@pytest.mark.parametrize("row", PRESETS, ids=lambda row: row["preset"])
def test_three_point_presets(row: dict[str, str]) -> None:
    """A preset gives the printed coefficients, passes through its points, and shows its turn."""
    degc = [float(row[f"T{i}_C"]) for i in (1, 2, 3)]
    ohm = [float(row[f"R{i}_ohm"]) for i in (1, 2, 3)]
    curve = curve_through(degc, ohm)
    expected = [float(row["A_computed"]), float(row["B_computed"]), 0.0, float(row["C_computed"])]
    np.testing.assert_allclose(curve.coefficients, expected, rtol=5e-10)
    np.testing.assert_allclose(curve.temperature_degc(ohm), degc, atol=1e-9)
    np.testing.assert_allclose(curve.ohm(degc), ohm, rtol=1e-9)
    sound = inspect_curve(curve, -30.0, 130.0) is None
    assert sound == (row["monotonic_-30_to_130C"] == "True")


def test_uncertainty_of_three_points_reaches_every_temperature() -> None:
    """The covariance from three points must be what moving each point in turn does."""
    degc, ohm, u_k = [0.0, 25.0, 100.0], [32_650.9, 10_000.0, 678.3], [0.02, 0.1, 0.3]
    curve = curve_through(degc, ohm, u_k)
    asked = np.array([60_000.0, 10_000.0, 3000.0, 500.0])
    moves = []
    for place in range(3):
        change = np.where(np.arange(3) == place, 1e-3, 0.0)
        above = curve_through((degc + change).tolist(), ohm).temperature_degc(asked)
        below = curve_through((degc - change).tolist(), ohm).temperature_degc(asked)
        moves.append((above - below) / 2e-3 * u_k[place])
    expected = np.array(moves).T @ np.array(moves)
    np.testing.assert_allclose(curve.temperature_covariance_k2(asked), expected, rtol=1e-5)
    np.testing.assert_allclose(curve.curve_u_k(asked), np.sqrt(np.diag(expected)), rtol=1e-5)
    assert float(curve.curve_u_k(10_000.0)) == pytest.approx(0.1, rel=1e-6)


def test_curve_without_stated_uncertainty_claims_none() -> None:
    """Three points without uncertainties make a curve whose own uncertainty is zero."""
    curve = curve_through([0.0, 25.0, 100.0], [32_650.9, 10_000.0, 678.3])
    np.testing.assert_array_equal(curve.temperature_covariance_k2([500.0, 900.0]), np.zeros((2, 2)))


@pytest.mark.parametrize(
    ("degc", "ohm"),
    [
        ([0.0, 25.0, 100.0], [678.3, 10_000.0, 32_650.9]),
        ([0.0, 25.0, 25.0], [32_650.9, 10_000.0, 9000.0]),
        ([0.0, 25.0], [32_650.9, 10_000.0]),
        ([0.0, 25.0, 50.0, 75.0], [32_650.9, 10_000.0, 3600.0, 1500.0]),
    ],
)
def test_points_that_make_no_curve_are_refused(degc: list[float], ohm: list[float]) -> None:
    """Rising, repeated, too few and too many points are told apart from a curve."""
    with pytest.raises(InputError, match="three points whose resistance falls"):
        curve_through(degc, ohm)


@pytest.mark.parametrize(
    ("degc", "ohm", "said"),
    [
        ([0.0, 25.0, 50.0, 75.0, 90.0], [30e3, 10e3, -1.0, 1500.0, 900.0], "row 3"),
        ([0.0, np.nan, 50.0, 75.0, 90.0], [30e3, 10e3, 3600.0, 1500.0, 900.0], "row 2"),
        ([0.0, 25.0], [30e3], "do not pair"),
    ],
)
def test_rows_that_are_no_table_are_refused(degc: list[float], ohm: list[float], said: str) -> None:
    """The error names the row at fault, counted from 1."""
    with pytest.raises(InputError, match=said):
        fit_curve(degc, ohm)


def test_fit_finds_the_coefficients_a_table_was_made_with() -> None:
    """The table printed to 0.1 ohm was made with set sh_c; its fit must find them."""
    fit = fit_curve(*table("ntc_11"))
    expected = [0.001129148, 0.000234125, 0.0, 8.76741e-8]
    np.testing.assert_allclose(fit.curve.coefficients, expected, rtol=2e-6)
    assert fit.residual_sd_k < 1e-5


@pytest.mark.parametrize("terms", [3, 4])
def test_fit_agrees_with_a_search_in_temperature(terms: int) -> None:
    """The fit must be the least-squares curve in temperature that SciPy's search finds."""
    degc, ohm = table("ntc_07")
    fit = fit_curve(degc, ohm, terms=terms)

    def residuals(coefficients: np.ndarray) -> np.ndarray:
        powers = [0, 1, 3] if terms == 3 else [0, 1, 2, 3]
        design = np.log(ohm)[:, None] ** powers
        return np.array(degc) + 273.15 - 1.0 / (design @ coefficients)

    start = [c for c in fit.curve.coefficients if c != 0.0]
    best = scipy.optimize.least_squares(
        residuals, start, x_scale=np.abs(start), xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    best_sd_k = np.sqrt(best.fun @ best.fun / (len(degc) - terms))
    assert fit.residual_sd_k == pytest.approx(best_sd_k, rel=1e-5)
    np.testing.assert_allclose(fit.residual_k, best.fun, atol=1e-4)


def test_fits_of_published_tables_are_close() -> None:
    """Three or four terms follow a sound table far within the 0.5 K that a bath test needs."""
    assert fit_curve(*table("ntc_12")).residual_sd_k < 0.01
    assert fit_curve(*table("ntc_07")).residual_sd_k < 0.04
    assert fit_curve(*table("ntc_07"), terms=4).residual_sd_k < 0.03
    assert fit_curve(*table("ntc_08")).residual_sd_k < 0.15


@pytest.mark.parametrize("terms", [3, 4])
@pytest.mark.parametrize("ohm_rel_u", [None, 0.002])
def test_covariance_of_a_weighted_fit(terms: int, ohm_rel_u: float | None) -> None:
    """The covariance of temperatures must be what the rows do, each moved in turn by its own u.

    Least squares is linear in the listed temperatures to first order, so the covariance is the
    sum over rows of (dT/dT_row u_row)^2 - a fact apart from the covariance of the coefficients.
    A resistance acts as the temperature that it would change.
    """
    degc, ohm = (np.array(values) for values in table("ntc_12"))
    u_k = np.linspace(0.05, 0.3, degc.size)
    fit = fit_curve(
        degc.tolist(), ohm.tolist(), temperature_u_k=u_k.tolist(), ohm_rel_u=ohm_rel_u, terms=terms
    )
    asked = np.array([12_000.0, 5000.0, 1000.0, 500.0])
    row_u_k = np.hypot(u_k, fit.curve.slope_k_per_ohm(ohm) * ohm * (ohm_rel_u or 0.0))
    moves = []
    for row in range(degc.size):
        change = np.where(np.arange(degc.size) == row, 1e-3, 0.0)
        above, below = (
            fit_curve(
                moved.tolist(),
                ohm.tolist(),
                temperature_u_k=u_k.tolist(),
                ohm_rel_u=ohm_rel_u,
                terms=terms,
            ).curve.temperature_degc(asked)
            for moved in (degc + change, degc - change)
        )
        moves.append((above - below) / 2e-3 * row_u_k[row])
    expected = np.array(moves).T @ np.array(moves)
    found = fit.curve.temperature_covariance_k2(asked)
    np.testing.assert_allclose(found, expected, rtol=2e-3, atol=2e-4 * expected.max())


def test_resistances_alone_can_carry_the_uncertainty() -> None:
    """Temperatures exact, resistances good to 0.1 %: the rows share their variance among the terms.

    In any least-squares fit the mean of u^2/u_row^2 over n rows is k/n: here three over nine.
    """
    degc, ohm = table("ntc_12")
    curve = fit_curve(degc, ohm, ohm_rel_u=0.001).curve
    row_u_k = np.abs(curve.slope_k_per_ohm(ohm)) * ohm * 0.001
    share = curve.curve_u_k(ohm) ** 2 / row_u_k**2
    assert float(share.mean()) == pytest.approx(3.0 / 9.0, rel=1e-4)


def test_range_of_a_fit_is_that_of_its_rows() -> None:
    """A fitted curve is established over its rows: it covers their ends and nothing beyond."""
    curve = fit_curve(*table("ntc_12")).curve
    np.testing.assert_array_equal(
        curve.covers([679.0, 680.0, 12_490.0, 12_500.0]), [False, True, True, False]
    )


def test_too_few_rows_and_odd_terms_are_refused() -> None:
    """Three rows leave no scatter about three terms, and there is no curve of two or five."""
    degc, ohm = table("ntc_12")
    with pytest.raises(FitError):
        fit_curve(degc[:3], ohm[:3])
    with pytest.raises(InputError, match="three or four"):
        fit_curve(degc, ohm, terms=5)
