"""Check the thermistor curve against published coefficients, a root finder and differences."""

import csv
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.sensing.thermistor import ThermistorCurve, inspect_curve

DATA = Path(__file__).parents[2] / "data" / "sensors"


def published_curves() -> dict[str, ThermistorCurve]:
    """Read the published coefficients in the form each states; R25 is 5 kohm where none is said."""
    curves = {}
    with (DATA / "steinhart_hart_sets.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            a, b, c = (float(row[name]) for name in "ABC")
            if row["form"].startswith("3-term"):
                curves[row["id"]] = ThermistorCurve.three_term(a, b, c)
                continue
            d = float(row["form"].split("D=")[1].split(",")[0])
            reference_ohm = 5000.0 if "R/R25" in row["form"] else 1.0
            curves[row["id"]] = ThermistorCurve.four_term(a, b, c, d, reference_ohm)
    return curves


CURVES = published_curves()


def table(sensor_id: str) -> tuple[np.ndarray, np.ndarray]:
    """Read the temperatures [degC] and resistances [ohm] of one table."""
    with (DATA / "thermistor_rt_tables.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["sensor_id"] == sensor_id]
    return np.array([float(r["T_C"]) for r in rows]), np.array([float(r["R_ohm"]) for r in rows])


@pytest.mark.parametrize(("set_id", "tolerance_k"), [("sh_a", 2.5e-3), ("sh_c", 4e-4)])
def test_published_coefficients_follow_the_published_table(set_id: str, tolerance_k: float) -> None:
    """Two rounded sets for one 10 kohm sensor must give the 42 rows of its table within mK."""
    degc, ohm = table("ntc_11")
    np.testing.assert_allclose(CURVES[set_id].temperature_degc(ohm), degc, atol=tolerance_k)


def test_four_terms_in_the_ratio_reach_the_ends_of_their_range() -> None:
    """R/R25 of 0.01644 and 33.36 are the sensor at 155 and -40 degC, and 1 is 25 degC."""
    ratios = np.array([0.01644, 1.0, 33.36])
    degc = CURVES["sh_d"].temperature_degc(5000.0 * ratios)
    np.testing.assert_allclose(degc, [155.0, 25.0, -40.0], atol=0.02)
    assert CURVES["sh_e"].temperature_degc(5000.0) == pytest.approx(25.0, abs=1e-3)


def test_four_terms_in_ohms_give_the_nominal_resistance() -> None:
    """The published set in ln R[ohm] belongs to a sensor of 10 kohm at 25 degC."""
    assert CURVES["sh_f"].temperature_degc(10_000.0) == pytest.approx(25.0, abs=0.01)


@pytest.mark.parametrize("set_id", sorted(CURVES))
def test_ohms_agree_with_a_root_finder_on_the_formula(set_id: str) -> None:
    """T to R must solve the printed formula, which SciPy's brentq solves independently."""
    curve = CURVES[set_id]
    a0, a1, a2, a3 = curve.coefficients
    for degc in (-40.0, 0.0, 25.0, 104.0, 150.0):

        def miss(log_ratio: float, kelvin: float = degc + 273.15) -> float:
            cubic = a0 + a1 * log_ratio + a2 * log_ratio**2 + a3 * log_ratio**3
            return cubic - 1.0 / kelvin

        start = -np.log(curve.reference_ohm)
        root = scipy.optimize.brentq(miss, start, start + 16.0, xtol=1e-14, rtol=1e-15)
        expected_ohm = curve.reference_ohm * np.exp(root)
        assert float(curve.ohm(degc)) == pytest.approx(expected_ohm, rel=1e-11)


@given(
    r25=st.floats(100.0, 1e6),
    beta_k=st.floats(2500.0, 5000.0),
    bend=st.floats(0.0, 2e-7),
    degc=st.floats(-60.0, 200.0),
)
@settings(max_examples=60, derandomize=True, deadline=None)
def test_ohms_and_back_return_the_temperature(
    r25: float, beta_k: float, bend: float, degc: float
) -> None:
    """For any usual sensor the two directions must undo one another."""
    curve = ThermistorCurve.four_term(1.0 / 298.15, 1.0 / beta_k, 0.0, bend, reference_ohm=r25)
    assert float(curve.temperature_degc(curve.ohm(degc))) == pytest.approx(degc, abs=1e-9)


@pytest.mark.parametrize("set_id", sorted(CURVES))
def test_the_ends_of_what_a_curve_gives_belong_to_it(set_id: str) -> None:
    """At the coldest and hottest temperature that a curve names there is a resistance."""
    curve = CURVES[set_id]
    coldest, hottest = curve.temperature_limits_degc
    assert np.isfinite(curve.ohm([coldest, hottest])).all()
    assert np.isnan(curve.ohm([coldest - 1e-6, hottest + 1e-6])).all()


def test_beta_form_is_exact() -> None:
    """With two terms the curve is the beta formula, R = R25 exp(beta (1/T - 1/T25))."""
    curve = ThermistorCurve.four_term(1.0 / 298.15, 1.0 / 3435.0, 0.0, 0.0, reference_ohm=2252.0)
    expected = 2252.0 * np.exp(3435.0 * (1.0 / 373.15 - 1.0 / 298.15))
    assert float(curve.ohm(100.0)) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("set_id", sorted(CURVES))
def test_slope_agrees_with_differences(set_id: str) -> None:
    """The slope must be the central difference of the temperature, and negative."""
    curve = CURVES[set_id]
    ohm = curve.ohm(np.array([-30.0, 25.0, 120.0]))
    step = 1e-5 * ohm
    change = curve.temperature_degc(ohm + step) - curve.temperature_degc(ohm - step)
    np.testing.assert_allclose(curve.slope_k_per_ohm(ohm), change / (2.0 * step), rtol=1e-7)
    assert np.all(curve.slope_k_per_ohm(ohm) < 0.0)


def test_nothing_comes_from_beyond_the_turn_of_a_cubic() -> None:
    """The set through 32, 75 and 120 degC turns at 27.16 degC: above that resistance, no answer.

    The turn is where the derivative B + 3 C L^2 vanishes: L = sqrt(-B / (3 C)).
    """
    a, b, c = -3.0380677727e-3, 9.6438226280e-4, -3.2767951958e-6
    curve = ThermistorCurve.three_term(a, b, c)
    log_turn = np.sqrt(-b / (3.0 * c))
    turn_degc = 1.0 / (a + b * log_turn + c * log_turn**3) - 273.15
    assert curve.temperature_limits_degc[0] == pytest.approx(turn_degc, abs=1e-9)
    assert np.isnan(curve.temperature_degc(1.0001 * np.exp(log_turn)))
    assert np.isnan(curve.ohm(turn_degc - 0.01))
    assert np.isnan(curve.slope_k_per_ohm(1e6))
    finding = inspect_curve(curve, -30.0, 130.0)
    assert finding is not None
    assert finding.code == "thermistor_curve_turns"
    assert finding.figures["coldest_degc"] == pytest.approx(turn_degc)


@given(turn=st.floats(2.0, 10.0), width=st.floats(0.5, 10.0), strength=st.sampled_from([-1.0, 1.0]))
@settings(max_examples=60, derandomize=True, deadline=None)
def test_only_one_branch_of_a_cubic_answers(turn: float, width: float, strength: float) -> None:
    """Wherever a cubic turns, temperature falls strictly with resistance over all that it answers.

    The slope of 1/T is made as strength (L - turn)(L - turn - width), scaled to a thermistor's.
    """
    per_log = 2.5e-4 * strength / (1.0 + width)
    a1, a2 = turn * (turn + width) * per_log, -(turn + 0.5 * width) * per_log
    a3 = per_log / 3.0
    middle = turn + 0.5 * width
    a0 = 1.0 / 300.0 - middle * (a1 + middle * (a2 + middle * a3))
    curve = ThermistorCurve((a0, a1, a2, a3))
    log_ohm = np.linspace(np.log(0.011), np.log(0.99e9), 4001)
    degc = curve.temperature_degc(np.exp(log_ohm))
    answered = np.flatnonzero(np.isfinite(degc))
    assert answered.size > 1
    assert np.all(np.diff(answered) == 1)
    assert np.all(np.diff(degc[answered]) < 0.0)
    assert degc[answered].min() >= -100.0 - 1e-9
    assert degc[answered].max() <= 400.0 + 1e-9
    coldest, hottest = curve.temperature_limits_degc
    assert np.isfinite(curve.ohm([coldest, hottest])).all()
    inside = np.linspace(coldest, hottest, 7)[1:-1]
    np.testing.assert_allclose(curve.temperature_degc(curve.ohm(inside)), inside, atol=1e-6)


@pytest.mark.parametrize("ohm", [0.0, -5.0, np.nan, np.inf, 1e-6])
def test_impossible_resistances_have_no_temperature(ohm: float) -> None:
    """A resistance that is not positive, not finite or of no bead is NaN, without a warning."""
    assert np.isnan(CURVES["sh_a"].temperature_degc(ohm))
    assert not CURVES["sh_a"].covers(ohm)


def test_range_marks_extrapolation() -> None:
    """A curve answers beyond the range it was established over, and says that it is beyond."""
    curve = ThermistorCurve(CURVES["sh_a"].coefficients, range_ohm=(3600.0, 32_650.9))
    np.testing.assert_array_equal(
        curve.covers([3599.0, 3600.0, 10_000.0, 32_651.0]), [False, True, True, False]
    )
    assert np.isfinite(curve.temperature_degc(3599.0))
    assert bool(CURVES["sh_a"].covers(3599.0))


def test_tolerance_of_the_maker_is_uniform() -> None:
    """Limits of +/-0.2 K are a standard uncertainty of 0.2/sqrt(3) K (GUM 4.3.7)."""
    curve = ThermistorCurve(CURVES["sh_a"].coefficients, tolerance_half_width_k=0.2)
    np.testing.assert_allclose(curve.curve_u_k([[2000.0, 9000.0]]), 0.2 / np.sqrt(3.0))


@pytest.mark.parametrize(
    "coefficients",
    [(0.0011, -0.00023, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0), (np.nan, 2e-4, 0.0, 1e-7)],
)
def test_coefficients_that_make_no_thermistor_are_refused(
    coefficients: tuple[float, float, float, float],
) -> None:
    """A curve on which temperature never falls with resistance is an error that says so."""
    with pytest.raises(InputError, match="check their order"):
        ThermistorCurve(coefficients)


def test_reference_resistance_must_be_positive() -> None:
    """A ratio needs a positive resistance below it."""
    with pytest.raises(InputError, match="reference resistance"):
        ThermistorCurve.four_term(0.00335, 0.00025, 0.0, 0.0, reference_ohm=0.0)
