"""Check conversion by table against its own rows, SciPy's interpolant and an exact curve."""

import csv
from pathlib import Path

import numpy as np
import pytest
import scipy.interpolate
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.sensing.rt_table import RTTable, rounding_half_width
from rig.sensing.thermistor import ThermistorCurve

DATA = Path(__file__).parents[2] / "data" / "sensors"
SOUND = ["ntc_01", "ntc_02", "ntc_06", "ntc_07", "ntc_08", "ntc_10", "ntc_11", "ntc_12"]


def rows_of(sensor_id: str) -> tuple[list[float], list[float]]:
    """Read the temperatures [degC] and resistances [ohm] of one table."""
    with (DATA / "thermistor_rt_tables.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["sensor_id"] == sensor_id]
    return [float(row["T_C"]) for row in rows], [float(row["R_ohm"]) for row in rows]


@pytest.mark.parametrize("sensor_id", SOUND)
def test_every_row_is_met_both_ways(sensor_id: str) -> None:
    """A table must give back each of its rows exactly, whichever column is asked."""
    degc, ohm = rows_of(sensor_id)
    table = RTTable.from_rows(degc, ohm)
    np.testing.assert_allclose(table.temperature_degc(ohm), degc, atol=1e-9)
    np.testing.assert_allclose(table.ohm(degc), ohm, rtol=1e-12)


@pytest.mark.parametrize("sensor_id", SOUND)
def test_between_rows_it_is_the_monotone_cubic(sensor_id: str) -> None:
    """Between rows, 1/T over ln R must be what SciPy's monotone interpolant gives, with slope."""
    degc, ohm = (np.array(values) for values in rows_of(sensor_id))
    oracle = scipy.interpolate.PchipInterpolator(np.log(ohm[::-1]), 1.0 / (degc[::-1] + 273.15))
    asked = np.exp(np.linspace(np.log(ohm[-1]), np.log(ohm[0]), 203))[1:-1]
    kelvin = 1.0 / oracle(np.log(asked))
    table = RTTable.from_rows(degc.tolist(), ohm.tolist())
    np.testing.assert_allclose(table.temperature_degc(asked), kelvin - 273.15, atol=1e-9)
    slope = -(kelvin**2) * oracle.derivative()(np.log(asked)) / asked
    np.testing.assert_allclose(table.slope_k_per_ohm(asked), slope, rtol=1e-9)


def test_the_error_between_rows_of_an_exact_curve_is_small() -> None:
    """Rows each 10 K, rows left out between them: within 1 mK of the curve they were made with."""
    degc, ohm = rows_of("ntc_11")
    table = RTTable.from_rows(degc[:41:10], ohm[:41:10])
    np.testing.assert_allclose(table.temperature_degc(ohm[:41]), degc[:41], atol=1e-3)


def test_the_error_between_rows_of_a_published_table_is_small() -> None:
    """Every second of 22 published rows, mostly 20 K apart: within 0.03 K of those left out."""
    degc, ohm = rows_of("ntc_07")
    table = RTTable.from_rows(degc[::2], ohm[::2])
    inner = ohm[1:-1:2]
    np.testing.assert_allclose(table.temperature_degc(inner), degc[1:-1:2], atol=0.03)


def test_one_beta_is_exact() -> None:
    """A table that keeps one beta is a straight line here: no error anywhere between its rows."""
    curve = ThermistorCurve.four_term(1.0 / 298.15, 1.0 / 3435.0, 0.0, 0.0, reference_ohm=2252.0)
    degc = [-20.0, 15.0, 40.0, 110.0]
    table = RTTable.from_rows(degc, curve.ohm(degc).tolist())
    asked = np.linspace(-20.0, 110.0, 53)[1:-1]
    np.testing.assert_allclose(table.temperature_degc(curve.ohm(asked)), asked, atol=1e-9)


@pytest.mark.parametrize("sensor_id", SOUND)
def test_nothing_is_said_outside_the_rows(sensor_id: str) -> None:
    """A hair beyond either end there is no temperature, no resistance, no slope, no uncertainty."""
    degc, ohm = rows_of(sensor_id)
    table = RTTable.from_rows(degc, ohm)
    beyond = [ohm[0] * (1.0 + 1e-9), ohm[-1] * (1.0 - 1e-9), 0.0, -1.0, np.nan, np.inf]
    assert np.isnan(table.temperature_degc(beyond)).all()
    assert np.isnan(table.slope_k_per_ohm(np.array(beyond))).all()
    assert np.isnan(table.curve_u_k(beyond)).all()
    assert not table.covers(beyond).any()
    assert np.isnan(table.ohm([degc[0] - 1e-6, degc[-1] + 1e-6, np.nan])).all()


@given(
    steps_k=st.lists(st.floats(0.5, 40.0), min_size=3, max_size=12),
    falls=st.lists(st.floats(0.001, 2.0), min_size=12, max_size=12),
    share=st.floats(0.0, 1.0),
)
@settings(max_examples=80, derandomize=True, deadline=None)
def test_any_falling_table_converts_without_overshoot(
    steps_k: list[float], falls: list[float], share: float
) -> None:
    """However rough the table, conversion stays between the rows about it and undoes itself."""
    degc = np.cumsum([-40.0, *steps_k])
    ohm = 1e5 * np.exp(-np.cumsum([0.0, *falls[: len(steps_k)]]))
    table = RTTable.from_rows(degc.tolist(), ohm.tolist())
    asked = degc[:-1] + share * np.diff(degc)
    found = table.ohm(asked)
    assert np.all((found <= ohm[:-1] * (1 + 1e-12)) & (found >= ohm[1:] * (1 - 1e-12)))
    inside = np.clip(found, ohm[-1], ohm[0])
    np.testing.assert_allclose(table.temperature_degc(inside), asked, atol=1e-6)
    assert np.all(table.slope_k_per_ohm(inside) < 0.0)


def test_an_end_is_never_flat() -> None:
    """Where the parabola at an end would stand still, a third of the last secant is the slope."""
    table = RTTable((0.0, 10.0, 20.0), (1000.0, 990.0, 100.0))
    secant = 10.0 / np.log(1000.0 / 990.0)
    in_kelvin = -float(table.slope_k_per_ohm(100.0)) * 100.0
    assert in_kelvin > 0.0
    gentle = 10.0 / np.log(990.0 / 100.0)
    assert in_kelvin == pytest.approx(gentle / 3.0, rel=0.04)
    assert secant > 30.0 * gentle


def test_rows_come_in_any_order() -> None:
    """Hot to cold, or shuffled, the table is the same."""
    degc, ohm = rows_of("ntc_07")
    shuffled = np.random.default_rng(1).permutation(len(degc))
    mixed = RTTable.from_rows([degc[i] for i in shuffled], [ohm[i] for i in shuffled])
    assert mixed == RTTable.from_rows(degc, ohm)


@pytest.mark.parametrize(
    ("degc", "ohm", "said"),
    [
        ([0.0, 10.0, 20.0], [1000.0, 1100.0, 500.0], "from 0.0 degC, 1000.0 ohm to 10.0 degC"),
        ([0.0, 10.0, 10.0], [1000.0, 700.0, 500.0], "does not fall"),
        ([0.0, 10.0, 20.0], [1000.0, 700.0, 700.0], "does not fall"),
        ([0.0, 10.0, 20.0], [1000.0, 700.0, 0.0], "the row 20.0 degC"),
        ([0.0, 10.0, np.inf], [1000.0, 700.0, 500.0], "the row inf degC"),
        ([0.0, 10.0], [1000.0, 700.0], "at least three rows"),
    ],
)
def test_tables_that_cannot_convert_are_refused(
    degc: list[float], ohm: list[float], said: str
) -> None:
    """The error names the two rows, or the one, to look at."""
    with pytest.raises(InputError, match=said):
        RTTable.from_rows(degc, ohm)


@pytest.mark.parametrize("sensor_id", ["ntc_03", "ntc_04", "ntc_05"])
def test_a_clipped_table_still_converts(sensor_id: str) -> None:
    """Clipped rows still fall, so conversion cannot refuse them: noticing is for the inspection."""
    degc, ohm = rows_of(sensor_id)
    assert float(RTTable.from_rows(degc, ohm).temperature_degc(65_400.0)) < -29.0


def test_rounding_is_read_from_the_digits_around() -> None:
    """A trailing zero is rounding only where near rows lack that digit too."""
    coarse = rounding_half_width([110.0, 90.0, 77.0, 60.0, 57.0, 52.0])
    np.testing.assert_allclose(coarse[3], 5.0 / 60.0)
    np.testing.assert_allclose(coarse[4], 0.5 / 57.0)
    fine = rounding_half_width([12_490.0, 10_000.0, 8057.0, 2986.0])
    np.testing.assert_allclose(fine[1], 5.0 / 10_000.0)
    np.testing.assert_allclose(
        rounding_half_width([394.55, 282.63]), [0.005 / 394.55, 5e-3 / 282.63]
    )
    np.testing.assert_allclose(rounding_half_width([3.0, 2.0, 1.0]), [0.1, 0.1, 0.1])
    np.testing.assert_allclose(rounding_half_width([10_000.0]), [0.1])


def test_uncertainty_comes_from_digits_and_tolerance() -> None:
    """A row printed as 60 among tens may be 55 to 65: 0.083/sqrt(3) of T^2/beta, with tolerance.

    Between 60 and 57 ohm the slope of the printed rows is 5 K for ln(60/57).
    """
    degc, ohm = rows_of("ntc_10")
    table = RTTable.from_rows(degc, ohm, tolerance_half_width_k=0.6)
    asked = np.array([58.5])
    rounding_k = -table.slope_k_per_ohm(asked) * asked * (5.0 / 60.0)
    expected = np.hypot(rounding_k, 0.6) / np.sqrt(3.0)
    np.testing.assert_allclose(table.curve_u_k(asked), expected)
    assert 2.0 < expected[0] < 6.0
    fine = RTTable.from_rows(*rows_of("ntc_11"))
    assert float(fine.curve_u_k(100_000.0)) < 1e-4
