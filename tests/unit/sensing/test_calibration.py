"""Check pressure calibration against data-sheet transfers and a published calibration."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.errors import InputError
from rig.sensing.calibration import (
    AdcChannel,
    PressureCalibration,
    linearised,
    ratiometric_calibration,
)
from rig.sensing.straight_line import StraightLine, fit_line, line_through

DATA = Path(__file__).parents[2] / "data"


def rows_of(folder: str, name: str) -> list[dict[str, str]]:
    """Read a reference table."""
    with (DATA / folder / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


TRANSFERS = rows_of("sensors", "absolute_sensor_transfer.csv")
POINTS = rows_of("metrology", "pressure_sensor_cal_published.csv")
PUBLISHED = {
    row["quantity"]: float(row["value"])
    for row in rows_of("metrology", "pressure_sensor_cal_published_expected.csv")
}
READINGS = np.array([float(row["x_reading"]) for row in POINTS])
U_READING = PUBLISHED["u_res_halfwidth"] / math.sqrt(3.0)
LINEARISING = (0.0, PUBLISHED["f_lin_c1"], PUBLISHED["f_lin_c2"], PUBLISHED["f_lin_c3"])


@pytest.mark.parametrize("row", TRANSFERS, ids=lambda row: row["sensor"])
def test_transfers_of_absolute_sensors(row: dict[str, str]) -> None:
    """Every data-sheet transfer gives its printed volts at 20 and 100 kPa, and comes back.

    The volts are printed to 0.1 mV, and pressures of the end points to 0.01 kPa: either may move
    the volts by half of its last digit.
    """
    if row["V1"]:
        first, second = ((float(row[f"V{i}"]), 1e3 * float(row[f"P{i}_kPa"])) for i in (1, 2))
        calibration = PressureCalibration(line_through(first, second))
    else:
        ends_pa = (1e3 * float(row["P_at_0V_kPa"]), 1e3 * float(row["P_at_5V_kPa"]))
        calibration = ratiometric_calibration(*ends_pa, 5.0)
    line = calibration.line
    printed_v = [float(row["V_at_20kPa"]), float(row["V_at_100kPa"])]
    tolerance_v = 0.5e-4 + 5.0 / abs(line.slope)
    np.testing.assert_allclose(line.inverse([20e3, 100e3]), printed_v, atol=tolerance_v)
    tolerance_pa = abs(line.slope) * tolerance_v
    np.testing.assert_allclose(calibration.pressure_pa(printed_v), [20e3, 100e3], atol=tolerance_pa)
    printed_pa = [1e3 * float(row["P_at_0V_kPa"]), 1e3 * float(row["P_at_5V_kPa"])]
    np.testing.assert_allclose(calibration.pressure_pa([0.0, 5.0]), printed_pa, atol=5.0 + 1e-6)


def test_a_ratiometric_sensor_follows_its_supply() -> None:
    """Supply and signal 4 % low together: the same pressure, 10.56 kPa + 0.4 of 111.11 kPa."""
    calibration = ratiometric_calibration(10_560.0, 121_670.0, 5.0)
    expected_pa = 10_560.0 + 0.4 * 111_110.0
    assert float(calibration.pressure_pa(1.92, 4.8)) == pytest.approx(expected_pa)
    assert float(calibration.pressure_pa(2.0)) == pytest.approx(expected_pa)
    assert calibration.estimate(1.92, "A", 4.8).pressure.value == pytest.approx(expected_pa)
    np.testing.assert_array_equal(calibration.outside([4.85, 4.75], 4.8), [True, False])


def test_a_supply_is_refused_where_it_means_nothing() -> None:
    """Supply volts of a sensor that is not ratiometric, or not positive, are an error."""
    fixed = PressureCalibration(line_through((0.5, 0.0), (4.5, 100e3)))
    with pytest.raises(InputError, match="not ratiometric"):
        fixed.pressure_pa(2.0, 5.0)
    with pytest.raises(InputError, match="not positive"):
        ratiometric_calibration(0.0, 100e3, 5.0).pressure_pa(2.0, 0.0)
    with pytest.raises(InputError, match="port B: nan V"):
        fixed.estimate(math.nan, "port B")


@pytest.mark.parametrize(
    ("channel", "counts", "volts"),
    [
        (AdcChannel(10, 5.0), [0, 512, 1023], [0.0, 2.5, 4.9951171875]),
        (AdcChannel(12, 3.3), [0, 2048, 4095], [0.0, 1.65, 3.3 - 3.3 / 4096]),
        (AdcChannel(16, 4.096, signed=True), [-32768, -1, 32767], [-4.096, -125e-6, 4.095875]),
        (AdcChannel(24, 2.5, signed=True, input_ratio=2.0), [4_194_304], [2.5]),
    ],
)
def test_counts_become_volts(channel: AdcChannel, counts: list[int], volts: list[float]) -> None:
    """The code of full scale would be one more than the highest; a divider in front scales it."""
    np.testing.assert_allclose(channel.volts(counts), volts, rtol=1e-12)
    expected = (volts[-1] - volts[0]) / max(counts[-1] - counts[0], 1)
    assert channel.step_v == pytest.approx(expected if len(counts) > 1 else volts[0] / counts[0])


def test_codes_at_and_beyond_the_ends() -> None:
    """The lowest and highest code are marked; a code that cannot be is an error, not a pressure."""
    channel = AdcChannel(12, 3.3)
    np.testing.assert_array_equal(channel.at_end([0, 1, 4094, 4095]), [True, False, False, True])
    signed = AdcChannel(16, 4.096, signed=True)
    np.testing.assert_array_equal(signed.at_end([-32768, 0, 32767]), [True, False, True])
    with pytest.raises(InputError, match="code 4096 is outside 0 to 4095"):
        channel.volts([12, 4096])
    with pytest.raises(InputError, match="code nan"):
        channel.volts(math.nan)


@pytest.mark.parametrize(("bits", "full_scale_v"), [(7, 5.0), (33, 5.0), (12, 0.0), (12, math.inf)])
def test_impossible_converters_are_refused(bits: int, full_scale_v: float) -> None:
    """A converter has 8 to 32 bits and a positive full scale."""
    with pytest.raises(InputError, match="converter"):
        AdcChannel(bits, full_scale_v)


def published_calibration(line: StraightLine) -> PressureCalibration:
    """Build the published sensor's plain calibration, the reference's u inside the line's."""
    return PressureCalibration(
        line,
        linearity_half_width_pa=PUBLISHED["u_lin_halfwidth"],
        resolution_v=2.0 * PUBLISHED["u_res_halfwidth"],
    )


def plain_line() -> StraightLine:
    """Find the published sensor's line from its first and last point."""
    y_u = [0.0, PUBLISHED["u_ref_rel"] * 20.0]
    return fit_line([0.0, READINGS[-1]], [0.0, 20.0], x_u=U_READING, y_u=y_u)


def expanded(calibration: PressureCalibration) -> list[float]:
    """Get the expanded uncertainties, k = 2, at the published readings."""
    return [2.0 * calibration.estimate(float(x), "A").pressure.u for x in READINGS]


def test_published_pressures() -> None:
    """The published estimates, printed to six digits, follow from the line."""
    printed = [float(row["p_est_linear"]) for row in POINTS]
    found = published_calibration(plain_line()).pressure_pa(READINGS)
    np.testing.assert_allclose(found, printed, rtol=5e-6, atol=1e-12)


def test_published_expanded_uncertainties() -> None:
    """U (k = 2) of the published sensor, all eleven rows.

    The publication goes on with u(a), u(b) and r as it prints them, rounded to 0.00028, 0.00114 and
    -0.1212; with those its six digits follow, and with the unrounded values 0.13 % more.
    """
    printed = [float(row["U_k2_linear"]) for row in POINTS]
    line = plain_line()
    assert (round(line.u_value, 5), round(line.u_slope, 5)) == (0.00028, 0.00114)
    assert round(line.correlation, 4) == -0.1212
    rounded = replace(line, u_value=0.00028, u_slope=0.00114, correlation=-0.1212)
    np.testing.assert_allclose(expanded(published_calibration(rounded)), printed, atol=2e-8)
    np.testing.assert_allclose(expanded(published_calibration(line)), printed, rtol=1.4e-3)


def test_published_linearised_calibration() -> None:
    """The same sensor linearised by a cubic: line, its u and correlation, and U (k = 2) printed."""
    f, gain = linearised(READINGS, LINEARISING)
    line = fit_line(
        [f[0], f[-1]],
        [0.0, 20.0],
        x_u=[gain[0] * U_READING, gain[-1] * U_READING],
        y_u=[0.0, PUBLISHED["u_ref_rel"] * 20.0],
    )
    assert line.slope == pytest.approx(PUBLISHED["b_lin"], rel=1e-12)
    assert line.u_value == pytest.approx(PUBLISHED["a_lin_u"], rel=1e-9)
    assert line.u_slope == pytest.approx(PUBLISHED["b_lin_u"], rel=1e-9)
    assert line.correlation == pytest.approx(PUBLISHED["r_lin"], rel=1e-9)
    calibration = PressureCalibration(
        line,
        linearising=LINEARISING,
        linearity_half_width_pa=PUBLISHED["u_lin_halfwidth_linearised"],
        resolution_v=2.0 * PUBLISHED["u_res_halfwidth"],
    )
    printed = [float(row["U_k2_linearised"]) for row in POINTS]
    np.testing.assert_allclose(expanded(calibration), printed, atol=0.5e-4)
    references = [float(row["p_ref"]) for row in POINTS]
    np.testing.assert_allclose(
        calibration.pressure_pa(READINGS), references, atol=PUBLISHED["u_lin_halfwidth_linearised"]
    )


def test_a_common_reference_is_a_source_of_its_own() -> None:
    """The reference's u, taken out of the line, gives the same total and is named.

    Its points share it: zero at zero pressure, 0.0023 at 20, and it lies along the span.
    """
    whole = published_calibration(plain_line())
    reading_only = fit_line([0.0, READINGS[-1]], [0.0, 20.0], x_u=U_READING)
    split = replace(published_calibration(reading_only), reference_rel_u=PUBLISHED["u_ref_rel"])
    np.testing.assert_allclose(expanded(split), expanded(whole), rtol=1e-9)
    last = split.estimate(float(READINGS[-1]), "A").pressure
    assert last.sources["reference"] == pytest.approx(0.0023)


def test_sources_of_a_pressure() -> None:
    """Each named source is worked out by hand for a sensor of 25 kPa/V at 3 V."""
    line = StraightLine(
        50e3, 25e3, low=0.5, high=4.5, centre=2.0, u_value=30.0, u_slope=12.0, correlation=0.0
    )
    calibration = PressureCalibration(
        line,
        linearity_half_width_pa=60.0,
        resolution_v=0.002,
        reference_u_pa=20.0,
        reference_rel_u=0.0002,
    )
    found = calibration.estimate(3.0, "A")
    assert found.findings == ()
    assert found.pressure.value == 75e3
    assert dict(found.pressure.sources) == pytest.approx(
        {
            "zero": 30.0,
            "span": 12.0,
            "linearity": 60.0 / math.sqrt(3.0),
            "resolution": 25e3 * 0.002 / math.sqrt(12.0),
            "reference": math.hypot(20.0, 15.0),
        }
    )


def test_sources_add_up_to_the_line_whatever_its_correlation() -> None:
    """Zero and span, split where they are independent, must give the line's own u everywhere."""
    line = fit_line(
        [0.5, 1.5, 2.5, 4.5], [2e3, 27.1e3, 51.8e3, 102.2e3], y_u=[40.0, 60.0, 60.0, 90.0]
    )
    assert abs(line.correlation) > 0.3
    calibration = PressureCalibration(line)
    for volts in (0.5, 1.9, 4.5):
        pressure = calibration.estimate(volts, "A").pressure
        assert pressure.u == pytest.approx(float(line.u(volts)), rel=1e-9)


@pytest.mark.parametrize(
    ("volts", "beyond"), [(0.25, True), (0.5, False), (4.5, False), (4.6, True)]
)
def test_outside_the_calibrated_range_is_said(volts: float, beyond: bool) -> None:
    """Outside, the pressure is still given, with a finding that names channel and range."""
    calibration = PressureCalibration(line_through((4.5, 20e3), (0.5, 100e3)))
    found = calibration.estimate(volts, "port A")
    assert bool(calibration.outside(volts)) == beyond
    assert bool(found.findings) == beyond
    if beyond:
        (finding,) = found.findings
        assert finding.code == "calibration_outside"
        assert finding.figures["channel"] == "port A"
        assert (finding.figures["low_pa"], finding.figures["high_pa"]) == (20e3, 100e3)
        assert finding.figures["pressure_pa"] == found.pressure.value
